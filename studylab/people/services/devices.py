"""Naming a device of the lab, setting when it locks, revoking it."""

import secrets
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.models import Device, SignIn
from studylab.people.rules.devices import (
    LOCK_MINUTES_MAX,
    LOCK_MINUTES_MIN,
    SECRET_BYTES,
    secret_digest,
)
from studylab.people.selectors.devices import device_key, device_signer
from studylab.people.services.roles import require_in

if TYPE_CHECKING:
    from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Enrolled:
    """A device and the value of its cookie, which is here and in the browser, and nowhere else."""

    device: Device
    cookie: str = field(repr=False)


@service
def device_enrol(
    *, study: "Study", name: str, lock_minutes: int, sign_in: SignIn | None, actor: Actor
) -> Enrolled:
    """Make the asking browser a device of the lab; `sign_in`, the one in which this is done, is on it from now on."""
    require_in(actor, Cap.DEVICE_MANAGE, study)
    assert actor.user_id is not None, "a device is named by somebody who holds it"
    name = " ".join(name.split())
    if not name:
        raise Refused("Give the device the name that stands on it.", field="name")
    _check_minutes(lock_minutes)
    if Device.objects.filter(name__iexact=name, revoked_at=None).exists():
        raise Conflict("Another device has this name. Choose another one.", field="name")
    secret = secrets.token_urlsafe(SECRET_BYTES)
    now = clock.now()
    device = Device.objects.create(
        study=study, name=name, token_digest=secret_digest(secret, device_key()),
        lock_minutes=lock_minutes, enrolled_at=now, enrolled_by_id=actor.user_id, last_seen_at=now,
    )  # fmt: skip
    if sign_in is not None:
        SignIn.objects.filter(pk=sign_in.pk).update(device=device, active_at=now)
    _note(actor, Action.DEVICE_ENROLLED, device, {"lock_minutes": lock_minutes})
    return Enrolled(device, device_signer().sign(secret))


@service
def device_lock_time(*, device: Device, lock_minutes: int, actor: Actor) -> Device:
    """Change after how many idle minutes a device locks."""
    require_in(actor, Cap.DEVICE_MANAGE, device.study)
    _check_minutes(lock_minutes)
    device = lock(Device, pk=device.pk)
    if device.revoked_at is not None:
        raise Conflict("This device is revoked.")
    before, device.lock_minutes = device.lock_minutes, lock_minutes
    device.save(update_fields=["lock_minutes"])
    _note(actor, Action.DEVICE_CHANGED, device, {"lock_minutes": [before, lock_minutes]})
    return device


@service
def device_revoke(*, device: Device, reason: str, lost_at: datetime | None, actor: Actor) -> Device:
    """Revoke a device for good: everybody on it is signed out now, and it is told to empty itself when it is seen.

    `lost_at` is when it was last known to be in safe hands; None for one that is only taken out of use.
    """
    require_in(actor, Cap.DEVICE_MANAGE, device.study)
    reason = " ".join(reason.split())
    if not reason:
        raise Refused("Say why the device is revoked.", field="reason")
    now = clock.now()
    if lost_at is not None and lost_at > now:
        raise Refused(
            "This lies in the future. Enter when it was last in safe hands.", field="lost_at"
        )
    device = lock(Device, pk=device.pk)
    if device.revoked_at is not None:
        raise Conflict("This device was revoked already.")
    if lost_at is not None and lost_at < device.enrolled_at:
        raise Refused(
            "This is before the device was enrolled. Check day and time.", field="lost_at"
        )
    device.revoked_at, device.revoked_by_id = now, actor.user_id
    device.lost_at, device.revoke_reason = lost_at, reason
    device.save(update_fields=["revoked_at", "revoked_by", "lost_at", "revoke_reason"])
    ended = SignIn.objects.filter(device=device, ended_at=None).update(
        ended_at=now, ended_how=SignIn.Ended.REVOKED
    )
    lost = lost_at.isoformat() if lost_at else None
    _note(actor, Action.DEVICE_REVOKED, device, {"lost_at": lost, "sessions_ended": ended}, reason)
    return device


def _check_minutes(minutes: int) -> None:
    if not LOCK_MINUTES_MIN <= minutes <= LOCK_MINUTES_MAX:
        raise Refused(
            f"Choose a lock time from {LOCK_MINUTES_MIN} to {LOCK_MINUTES_MAX} minutes.",
            field="lock_minutes",
        )


def _note(
    actor: Actor, action: Action, device: Device, data: dict[str, object], reason: str = ""
) -> None:
    audit(
        actor=actor, action=action, subject_type="device", subject_code=device.uid, reason=reason,
        data={"device": device.name, **data},
    )  # fmt: skip
