"""Giving and ending roles in a study."""

from datetime import date
from typing import TYPE_CHECKING

from studylab import clock
from studylab.access import ROLE_NAMES, Actor, Cap, Role, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Membership, User
from studylab.people.selectors import blind_clash, holding_on, membership_state, today_in

if TYPE_CHECKING:
    from studylab.studies.models import Study

BLIND_CLASH = (
    "A pharmacist of a study can read arms, so the same person cannot hold a blinded role in it, now or "
    "later. Choose somebody else."
)
ADMIN_APART = (
    "An administrator of accounts holds no role in a study: whoever looks after accounts neither signs nor reads "
    "health data. Choose somebody else."
)


def require_in(actor: Actor, cap: Cap, study: "Study") -> None:
    """Raise NotAllowed unless the actor has `cap` in this very study."""
    require(actor, cap)
    if not actor.is_system and actor.study_id != study.pk:
        raise NotAllowed("Your role in this study does not allow this.", code=cap.value)


@service
def role_grant(
    *,
    study: "Study",
    user: User,
    role: Role,
    starts_on: date,
    ends_on: date | None = None,
    actor: Actor,
) -> Membership:
    """Give `user` a role in `study` from one day to another, both included, or without end."""
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    return grant(
        study=study, user=user, role=role, starts_on=starts_on, ends_on=ends_on,
        granted_by=actor.user_id, actor=actor,
    )  # fmt: skip


def grant(
    *,
    study: "Study",
    user: User,
    role: Role,
    starts_on: date,
    ends_on: date | None,
    granted_by: int | None,
    actor: Actor,
) -> Membership:
    """Write a role inside the caller's transaction, whose right was asked before.

    `granted_by` is who decided: whoever invited, where the actor accepts an invitation.
    """
    if ends_on is not None and ends_on < starts_on:
        raise Refused("The role ends before it starts. Check the two dates.", field="ends_on")
    if not user.is_active:
        raise Refused(f"The account of {user.name} is closed.", field="person")
    if user.is_account_admin:
        raise Refused(ADMIN_APART, field="person", code="SL001_membership_no_account_admin")
    lock(User, pk=user.pk)  # two roles given to one person at once must see each other
    if blind_clash(user, study, role):
        raise Refused(BLIND_CLASH, field="role", code="membership_blind_kept")
    if overlapping(study, user, role, starts_on, ends_on):
        raise Conflict(
            f"{user.name} is already {ROLE_NAMES[role]} on some of these days. Choose other dates, or "
            "end the other one first.",
            field="role",
        )
    membership = Membership.objects.create(
        user=user, study=study, role=role, starts_on=starts_on, ends_on=ends_on,
        granted_at=clock.now(), granted_by_id=granted_by,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.ROLE_GRANTED, subject_type="membership", subject_code=membership.uid,
        study_id=study.pk,
        data={
            "person": user.name, "role": role.value, "starts_on": starts_on.isoformat(),
            "ends_on": ends_on.isoformat() if ends_on else None,
        },
    )  # fmt: skip
    return membership


def overlapping(
    study: "Study", user: User, role: Role, starts_on: date, ends_on: date | None
) -> bool:
    """Whether the person has this role on some of these days."""
    same = user.memberships.filter(study=study, role=role, stopped_at=None)
    if ends_on is not None:
        same = same.filter(starts_on__lte=ends_on)
    return same.exclude(ends_on__lt=starts_on).exists()


@service
def role_end(
    *, membership: Membership, reason: str, ends_on: date | None = None, actor: Actor
) -> Membership:
    """End a role: after the day `ends_on`, or at once when no day is given.

    A role that ended already stays as it was, and the last study lead cannot be ended.
    """
    study = membership.study
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    membership = lock(Membership, pk=membership.pk)
    today = today_in(study.timezone)
    if membership_state(membership, today) == "ended":
        raise Conflict("This role has ended already.")
    if not reason.strip():
        raise Refused("Say why the role ends.", field="reason")
    _refuse_bad_day(membership, ends_on, today)
    if membership.role == Role.LEAD and not _another_lead(membership, today):
        raise Refused(
            "This is the only study lead. Give the role to somebody else first: without a lead nobody "
            "could change roles.",
            field="ends_on",
        )
    if ends_on is None:
        membership.stopped_at = clock.now()
    membership.ends_on = ends_on or max(today, membership.starts_on)
    membership.save(update_fields=["ends_on", "stopped_at"])
    audit(
        actor=actor, action=Action.ROLE_ENDED, subject_type="membership", subject_code=membership.uid,
        study_id=study.pk, reason=reason,
        data={
            "person": membership.user.name, "role": membership.role,
            "ends_on": membership.ends_on.isoformat(), "at_once": ends_on is None,
        },
    )  # fmt: skip
    return membership


def _refuse_bad_day(membership: Membership, ends_on: date | None, today: date) -> None:
    if ends_on is None:
        return
    if ends_on < today:
        raise Refused(
            "The last day is over already. End the role at once instead.", field="ends_on"
        )
    if ends_on < membership.starts_on:
        raise Refused("The role ends before it starts. Check the date.", field="ends_on")
    if membership.ends_on is not None and ends_on >= membership.ends_on:
        raise Refused(
            f"The role ends on {membership.ends_on.isoformat()} anyway. Enter an earlier day.",
            field="ends_on",
        )


def _another_lead(membership: Membership, today: date) -> bool:
    """Whether somebody else leads the study today; locked, or two leads could end each other at once."""
    leads = Membership.objects.select_for_update(of=("self",)).filter(
        holding_on(today), study_id=membership.study_id, role=Role.LEAD, user__is_active=True
    )
    return any(lead.user_id != membership.user_id for lead in leads.order_by("pk"))
