"""Reading people and roles."""

import math
from collections.abc import Collection
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Q, QuerySet, Subquery
from django.http import Http404
from django.utils.crypto import salted_hmac

from studylab import clock
from studylab.access import UNBLINDED_ROLES, Actor, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.operation.models import ReadOnlySpan
from studylab.people.models import Membership, User
from studylab.prepared import Prepared

if TYPE_CHECKING:
    from studylab.studies.models import Study

REFUSALS_ALLOWED = 10
REFUSALS_WITHIN = timedelta(minutes=10)


def today_in(timezone: str) -> date:
    """Return the present day in a time zone."""
    return clock.now().astimezone(ZoneInfo(timezone)).date()


def holding_on(on: date) -> Q:
    """Return the condition under which a membership gives access on a day, both edges included."""
    return Q(starts_on__lte=on) & (Q(ends_on=None) | Q(ends_on__gte=on)) & Q(stopped_at=None)


def current_memberships(user: User, study: "Study", on: date) -> QuerySet[Membership]:
    """Memberships of `user` in `study` that give access on a day."""
    return user.memberships.filter(holding_on(on), study=study)


def holders_of(study: "Study", roles: Collection[Role]) -> QuerySet[User]:
    """People who hold one of the roles in the study today and may sign in, each once."""
    held = study.memberships.filter(holding_on(today_in(study.timezone)), role__in=roles)
    return User.objects.filter(is_active=True, pk__in=held.values("user")).order_by("pk")


_HELD = Prepared(
    lambda user, study, on=date.max: Membership.objects.filter(
        holding_on(on), user=user, study=study
    )
)
_STUDY = Prepared(
    lambda slug="/": (
        apps.get_model("studies", "Study")
        .objects.annotate(
            read_only_until=Subquery(ReadOnlySpan.objects.filter(ended_at=None).values("until"))
        )
        .filter(slug=slug)
    )
)


def actor_for(user: Any, study: "Study | None") -> Actor:
    """Return the actor of a signed-in person, with the roles of today."""
    roles: frozenset[Role] = frozenset()
    if study is not None:
        held = _HELD(user.pk, study.pk, today_in(study.timezone))
        roles = frozenset(Role(one.role) for one in held)
    return Actor(
        user_id=user.pk, label=user.name, study_id=study.pk if study else None, roles=roles,
        accounts=user.is_account_admin,
    )  # fmt: skip


def studies_of(user: User, *, besides: "Study | None" = None) -> "QuerySet[Study]":
    """Studies in which the person holds a role today, each by the day in its own time zone; all, or all but one."""
    study_model = apps.get_model("studies", "Study")
    zones = study_model.objects.filter(memberships__user=user).distinct()
    if besides is not None:
        zones = zones.exclude(pk=besides.pk)
    held = Q(pk__in=[])
    for zone in set(zones.values_list("timezone", flat=True)):
        mine = user.memberships.filter(holding_on(today_in(zone)))
        held |= Q(timezone=zone, pk__in=mine.values("study"))
    found = study_model.objects.filter(held).order_by("short_title", "pk")
    return found if besides is None else found.exclude(pk=besides.pk)


def part_in(user: User, slug: str) -> "tuple[Study, Actor]":
    """Return the study and who the person is in it, else 404: the same answer as for no study.

    `read_only_until` on it says until when the site is expected to take no entries, None when it takes them.
    """
    study = _STUDY.first(slug)
    actor = actor_for(user, study) if study is not None else None
    if study is None or actor is None or not actor.roles:
        raise Http404("There is no such page, or you have no part in it.")
    return study, actor


def memberships_of_study(study: "Study") -> QuerySet[Membership]:
    """All roles ever given in a study, with their people, by name."""
    return study.memberships.select_related("user", "granted_by").order_by(
        "user__name", "user_id", "starts_on", "pk"
    )


def access_membership(study: "Study", uid: UUID) -> Membership:
    """Return a membership of this study, else 404."""
    membership = memberships_of_study(study).filter(uid=uid).first()
    if membership is None:
        raise Http404("There is no such role in this study.")
    return membership


def membership_state(membership: Membership, on: date) -> str:
    """Return "current", "future" or "ended", as of a day."""
    if membership.stopped_at is not None:
        return "ended"
    if membership.ends_on is not None and membership.ends_on < on:
        return "ended"
    return "future" if membership.starts_on > on else "current"


def user_by_email(email: str) -> User | None:
    """Return the person with this e-mail address, whatever its case."""
    return User.objects.filter(email__iexact=email.strip()).first()


def people_of_study(study: "Study") -> QuerySet[User]:
    """Everybody who ever held a role in the study, by name."""
    return User.objects.filter(memberships__study=study).distinct().order_by("name", "pk")


def blind_clash(user: User, study: "Study", role: Role) -> bool:
    """Whether `role` would put one person on both sides of the blind of a study, at any time."""
    unblinded = sorted(UNBLINDED_ROLES)
    held = user.memberships.filter(study=study)
    if role in UNBLINDED_ROLES:
        return held.exclude(role__in=unblinded).exists()
    return held.filter(role__in=unblinded).exists()


def address_digest(email: str) -> str:
    """Return a keyed digest of an e-mail address, 40 hex digits.

    The trail keeps this and not what was typed: people sometimes type a password into the wrong field.
    """
    return salted_hmac("studylab.sign_in", email.strip().lower()).hexdigest()


def sign_in_blocked_until(email: str) -> datetime | None:
    """Return until when sign-in with this address is refused unseen, or None when it is open.

    Ten refusals within ten minutes, counted since the last sign-in or unlocking that succeeded, close it until the
    oldest of the ten is ten minutes old.
    """
    now = clock.now()
    recent = Event.objects.filter(
        subject_type="sign_in", subject_code=address_digest(email), at__gt=now - REFUSALS_WITHIN
    ).order_by("-id")
    refused: list[datetime] = []
    for action, at in recent.values_list("action", "at")[: REFUSALS_ALLOWED + 1]:
        if action in (Action.SIGNED_IN, Action.DEVICE_UNLOCKED):
            break
        refused.append(at)
    if len(refused) < REFUSALS_ALLOWED:
        return None
    return refused[REFUSALS_ALLOWED - 1] + REFUSALS_WITHIN


def blocked_words(email: str) -> str:
    """Say until when an address is closed after many wrong passwords; "" while it is open."""
    until = sign_in_blocked_until(email)
    if until is None:
        return ""
    minutes = max(1, math.ceil((until - clock.now()).total_seconds() / 60))
    return (
        f"Too many wrong passwords or codes for this address. Try again in {minutes} "
        f"{'minute' if minutes == 1 else 'minutes'}."
    )
