"""Who is signed in where. Housekeeping of sessions; what ends one against the browser's will is on the trail."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.people.models import Device, DeviceClock, DevicePage, SignIn, User
from studylab.people.rules.devices import clock_to_note

SEEN_EVERY = timedelta(seconds=30)  # a busy page does not write with every request


def sign_in_begin(
    *, user: User, device: Device | None, how: str = SignIn.How.PASSWORD, browser: str = ""
) -> SignIn:
    """Note that somebody signed in, on a device of the lab or elsewhere (None), and what they showed."""
    now = clock.now()
    return SignIn.objects.create(
        user=user, device=device, began_at=now, seen_at=now, active_at=now, how=how, browser=browser
    )


def sign_in_end(*, sign_in: SignIn, how: str) -> None:
    """End a sign-in; one that ended stays as it is."""
    SignIn.objects.filter(pk=sign_in.pk, ended_at=None).update(ended_at=clock.now(), ended_how=how)


def sign_ins_end(*, user: User, how: str, but: SignIn | None = None) -> int:
    """End every sign-in of somebody except `but`, in the transaction of what they end for; return how many."""
    rows = SignIn.objects.filter(user=user, ended_at=None)
    if but is not None:
        rows = rows.exclude(pk=but.pk)
    return rows.update(ended_at=clock.now(), ended_how=how)


@service
def sign_ins_end_elsewhere(*, chosen: Sequence[SignIn], actor: Actor) -> int:
    """End some of one's own sign-ins, at once; return how many."""
    rows = SignIn.objects.filter(
        pk__in=[one.pk for one in chosen], user_id=actor.user_id or 0, ended_at=None
    )
    ended = rows.update(ended_at=clock.now(), ended_how=SignIn.Ended.ELSEWHERE)
    if ended:
        audit(
            actor=actor, action=Action.SIGN_INS_ENDED, subject_type="person",
            subject_code=actor.user_id or "", data={"sign_ins": ended},
        )  # fmt: skip
    return ended


@service
def sign_in_run_out(*, sign_in: SignIn, how: str, actor: Actor) -> None:
    """End a sign-in whose time is over, and note it once."""
    rows = SignIn.objects.filter(pk=sign_in.pk, ended_at=None)
    if rows.update(ended_at=clock.now(), ended_how=how):
        audit(
            actor=actor, action=Action.SIGN_IN_RUN_OUT, subject_type="person",
            subject_code=sign_in.user_id, data={"limit": how},
        )  # fmt: skip


def sign_in_strengthen(*, sign_in: SignIn, how: str) -> None:
    """Note that a sign-in has its second step: it was just set up there."""
    sign_in.how = how
    SignIn.objects.filter(pk=sign_in.pk, ended_at=None).update(how=how)


def sign_in_place(*, sign_in: SignIn, device: Device) -> None:
    """Note that a sign-in is on a device from now on."""
    sign_in.device = device
    SignIn.objects.filter(pk=sign_in.pk, device=None).update(device=device)


def sign_in_lock(*, sign_in: SignIn, at: datetime, page: str = "") -> None:
    """Lock a sign-in; the first moment stays, the newest page somebody asked for is led back to."""
    rows = SignIn.objects.filter(pk=sign_in.pk, ended_at=None)
    rows.filter(locked_at=None).update(locked_at=at)
    if page:
        rows.update(locked_page=page)


def sign_in_unlock(*, sign_in: SignIn) -> None:
    """Unlock a sign-in whose person has just given their password."""
    now = clock.now()
    SignIn.objects.filter(pk=sign_in.pk, ended_at=None).update(
        locked_at=None, locked_page="", active_at=now, seen_at=now
    )


def sign_in_seen(*, sign_in: SignIn, device: Device | None, active: bool) -> None:
    """Note a request, and whether it was the act of a person; written twice a minute at most."""
    now = clock.now()
    if now - sign_in.seen_at >= SEEN_EVERY or (active and now - sign_in.active_at >= SEEN_EVERY):
        changed = {"seen_at": now, **({"active_at": now} if active else {})}
        SignIn.objects.filter(pk=sign_in.pk, ended_at=None).update(**changed)
    if device is not None and now - device.last_seen_at >= SEEN_EVERY:
        Device.objects.filter(pk=device.pk).update(last_seen_at=now)


def clock_measured(*, device: Device, device_at: datetime) -> None:
    """Keep how far the device's clock is ahead of the server's; the way through the network counts as nothing.

    The newest comparison stands in the device's row; what the clock did over time in rows of its own.
    """
    now = clock.now()
    offset = round((device_at - now) / timedelta(milliseconds=1))
    Device.objects.filter(pk=device.pk, revoked_at=None).update(
        clock_offset_ms=offset, clock_measured_at=now, last_seen_at=now
    )
    last = DeviceClock.objects.filter(device=device).order_by("-at", "-id").first()
    last_at, last_ms = (last.at, last.offset_ms) if last else (None, 0)
    if clock_to_note(last_at=last_at, last_ms=last_ms, now=now, offset_ms=offset):
        DeviceClock.objects.create(device=device, at=now, offset_ms=offset)


def page_opened(*, sign_in: SignIn, study_id: int, kind: str, subject: str, page: str) -> None:
    """Note that a page with records was opened on a device."""
    now = clock.now()
    row = DevicePage(
        sign_in=sign_in, study_id=study_id, kind=kind, subject=subject, page=page, first_at=now,
        last_at=now,
    )  # fmt: skip
    DevicePage.objects.bulk_create(
        [row], update_conflicts=True, update_fields=["last_at"],
        unique_fields=["sign_in", "study", "kind", "subject", "page"],
    )  # fmt: skip


def device_emptied(*, device: Device) -> None:
    """Note the first time a revoked device was told to empty itself."""
    Device.objects.filter(pk=device.pk, emptied_at=None).update(emptied_at=clock.now())
