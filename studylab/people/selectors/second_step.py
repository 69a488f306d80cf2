"""Reading second steps: what somebody has, who needs one, and what may be refused."""

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from allauth.mfa.models import Authenticator
from django.conf import settings
from django.db.models import Q, QuerySet

from studylab.access import Role
from studylab.people.models import Membership, SignIn, User
from studylab.people.rules.passwords import ALONE, WITH_SECOND_STEP
from studylab.people.rules.second_step import roles_need
from studylab.people.selectors.people import holding_on, today_in

if TYPE_CHECKING:
    from studylab.studies.models import Study

_CODES = Authenticator.Type.RECOVERY_CODES


@dataclass(frozen=True, slots=True)
class Factor:
    """One second step as its owner sees it."""

    pk: int
    kind: str
    name: str
    added_at: datetime
    used_at: datetime | None


def factors_of(user: User) -> list[Factor]:
    """Return somebody's second steps, the oldest first; recovery codes are none of them."""
    rows = Authenticator.objects.filter(user=user).exclude(type=_CODES).order_by("created_at", "pk")
    return [
        Factor(one.pk, one.type, str(one.data.get("name", "")), one.created_at, one.last_used_at)
        for one in rows
    ]


def recovery_of(user: User) -> Authenticator | None:
    """Return somebody's recovery codes, or None."""
    return Authenticator.objects.filter(user=user, type=_CODES).first()


def needs_second_step(user: User, study: "Study | None", roles: frozenset[Role]) -> bool:
    """Whether a password alone is not enough: here, for these roles of `study`, or anywhere when it is None."""
    if settings.SECOND_STEP_WAIVED:
        return False
    if user.is_account_admin or user.short_password:
        return True
    if study is not None:
        return roles_need(roles, study.second_step_roles)
    return needed_somewhere(user)


def needed_somewhere(user: User) -> bool:
    """Whether a role that somebody holds today, or will, needs a second step."""
    return user.pk is not None and any(
        roles_need([one.role], one.study.second_step_roles) for one in _held_or_coming(user)
    )


def _held_or_coming(user: User) -> QuerySet[Membership]:
    """Memberships that have not ended: one that begins tomorrow is prepared today."""
    rows = user.memberships.filter(stopped_at=None)
    zones = set(rows.values_list("study__timezone", flat=True))
    open_ = Q(pk__in=[])
    for zone in zones:
        today = today_in(zone)
        open_ |= Q(study__timezone=zone) & (holding_on(today) | Q(starts_on__gt=today))
    return rows.filter(open_).select_related("study")


def second_step_missing(
    user: User, study: "Study | None", roles: frozenset[Role], sign_in: SignIn | None
) -> bool:
    """Whether this sign-in opens nothing yet for want of a second step."""
    if sign_in is not None and sign_in.has_second_step:
        return False
    return needs_second_step(user, study, roles)


def password_minimum(user: User) -> int:
    """Return how long a new password must be: shorter only where a second step is always asked for."""
    enforced = not settings.SECOND_STEP_WAIVED and (user.is_account_admin or needed_somewhere(user))
    return WITH_SECOND_STEP if enforced else ALONE
