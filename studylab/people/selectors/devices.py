"""Reading devices: which one a browser is, who is signed in where, who may change to whom."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from uuid import UUID

from django.conf import settings
from django.core.signing import BadSignature, Signer
from django.db.models import Q, QuerySet
from django.http import Http404

from studylab.access import Role
from studylab.keys import site_keys
from studylab.people.models import Device, DeviceClock, DevicePage, Membership, SignIn, User
from studylab.people.rules.devices import clock_is_wrong, clock_words, secret_digest
from studylab.people.selectors.people import holding_on, today_in
from studylab.prepared import Prepared

if TYPE_CHECKING:
    from studylab.studies.models import Study

_LONGEST_COOKIE = 200
QUICK_ROLES = (Role.EXPERIMENTER.value, Role.CLINICIAN.value)


def device_key() -> bytes:
    """Return the key under which the secret of a new device is kept, derived from the site's own."""
    return _device_keys()[0]


def _device_keys() -> tuple[bytes, ...]:
    return site_keys("studylab devices 1")


def device_signer() -> Signer:
    """Return the signer of the devices' cookie."""
    return Signer(salt="studylab.device")


def device_of_cookie(cookie: str) -> Device | None:
    """Return the device that this cookie belongs to, revoked or not; None for a wrong or tampered one."""
    if not cookie or len(cookie) > _LONGEST_COOKIE:
        return None
    try:
        secret = device_signer().unsign(cookie)
    except BadSignature:
        return None
    digests = [secret_digest(secret, key) for key in _device_keys()]
    return Device.objects.filter(token_digest__in=digests).first()


def devices_of(study: "Study") -> QuerySet[Device]:
    """Devices named in this study, and others on which its records were opened; the newest first."""
    used = DevicePage.objects.filter(study=study).values("sign_in__device")
    return (
        Device.objects.filter(Q(study=study) | Q(pk__in=used))
        .select_related("enrolled_by", "revoked_by")
        .order_by("-enrolled_at", "-pk")
    )


def access_device(study: "Study", uid: UUID) -> Device:
    """Return a device of this study, else 404."""
    device = devices_of(study).filter(uid=uid).first()
    if device is None:
        raise Http404("There is no such device in this study.")
    return device


@dataclass(frozen=True, slots=True)
class ClockLine:
    """One comparison of a tablet's clock, in words."""

    at: datetime
    words: str
    wrong: bool


def clocks_of(device: Device) -> list[ClockLine]:
    """Return how wrong a tablet's clock was over time, the newest first."""
    rows = DeviceClock.objects.filter(device=device).order_by("-at", "-id")[:100]
    return [ClockLine(one.at, clock_words(one.offset_ms), clock_is_wrong(one.offset_ms)) for one in rows]  # fmt: skip


def wrong_clocks(study: "Study") -> list[tuple[Device, str]]:
    """Return tablets in use whose clock was off by more than is tolerated when last compared, and by how much."""
    live = devices_of(study).filter(revoked_at=None, clock_offset_ms__isnull=False)
    return [
        (one, clock_words(one.clock_offset_ms))
        for one in live
        if one.clock_offset_ms is not None and clock_is_wrong(one.clock_offset_ms)
    ]


_NOBODYS = UUID(int=0)
_SIGN_IN = Prepared(lambda uid=_NOBODYS: SignIn.objects.filter(uid=uid))


def sign_in_of(uid: object) -> SignIn | None:
    """Return the sign-in that a session names; None where it names none."""
    if not isinstance(uid, str) or len(uid) != 36:
        return None
    return _SIGN_IN.first(UUID(uid))


def live_sign_ins(now: datetime) -> QuerySet[SignIn]:
    """Sign-ins that have not ended and whose session has not run out, the latest first."""
    return _live_after(now - settings.SIGN_IN_IDLE, now - settings.SIGN_IN_LONGEST)


def _live_after(active: datetime, began: datetime) -> QuerySet[SignIn]:
    busy = Q(device__isnull=False) | Q(active_at__gt=active)
    return (
        SignIn.objects.filter(busy, ended_at=None, began_at__gt=began)
        .select_related("user", "device")
        .order_by("-began_at", "-pk")
    )


def _others(user: int, own: int, active: datetime, began: datetime) -> QuerySet[SignIn]:
    return _live_after(active, began).filter(user_id=user).exclude(pk=own)


_NEVER = datetime(9998, 1, 1, tzinfo=UTC), datetime(9999, 1, 1, tzinfo=UTC)
_ON_A_DEVICE = Prepared(
    lambda user, own, active=_NEVER[0], began=_NEVER[1]: _others(user, own, active, began).filter(
        device__isnull=False
    )[:1]
)
_ON_ANOTHER = Prepared(
    lambda user, own, device, active=_NEVER[0], began=_NEVER[1]: _others(
        user, own, active, began
    ).exclude(device_id=device)[:1]
)


def sign_in_elsewhere(sign_in: SignIn, now: datetime) -> SignIn | None:
    """Return another live sign-in of the same person, when at least one of the two is on a device of the lab."""
    since = now - settings.SIGN_IN_IDLE, now - settings.SIGN_IN_LONGEST
    if sign_in.device_id is None:
        return _ON_A_DEVICE.first(sign_in.user_id, sign_in.pk, *since)
    return _ON_ANOTHER.first(sign_in.user_id, sign_in.pk, sign_in.device_id, *since)


def signed_in_twice(people: "Sequence[User] | QuerySet[User]", now: datetime) -> list[list[SignIn]]:
    """Return the live sign-ins of everybody who is signed in at two places, one of them a device, by name."""
    mine: dict[int, list[SignIn]] = {}
    for one in live_sign_ins(now).filter(user__in=people).order_by("user__name", "began_at", "pk"):
        mine.setdefault(one.user_id, []).append(one)
    return [
        several for several in mine.values()
        if len({one.device_id for one in several}) > 1
    ]  # fmt: skip


def quick_people(device: Device) -> list[User]:
    """Return whom this device offers for a quick change: who used it and runs visits today, the latest first."""
    used: dict[int, User] = {}
    for one in device.sign_ins.select_related("user").order_by("-began_at", "-id")[:500]:
        used.setdefault(one.user_id, one.user)
    roles = Membership.objects.filter(user__in=list(used), role__in=QUICK_ROLES)
    zones = roles.values_list("study__timezone", flat=True).distinct()
    today = Q(pk__in=[])
    for zone in set(zones):
        today |= holding_on(today_in(zone)) & Q(study__timezone=zone)
    working = set(roles.filter(today).values_list("user_id", flat=True))
    return [user for pk, user in used.items() if user.is_active and pk in working]


def device_people(device: Device) -> QuerySet[SignIn]:
    """Return every sign-in on a device, the latest first."""
    return device.sign_ins.select_related("user").order_by("-began_at", "-pk")
