"""Somebody leaves: every role in the study ends at once, and with the last one everything else that was open."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.leaving import carry_out_gone
from studylab.people.models import SignIn, User
from studylab.people.selectors import membership_state, today_in
from studylab.people.selectors.leaving import holds_a_role
from studylab.people.services.roles import require_in, role_end

if TYPE_CHECKING:
    from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Left:
    """What ended: how many roles, and what followed, in sentences."""

    roles: int
    followed: tuple[str, ...]


@service
def person_leave(*, study: "Study", user: User, reason: str, actor: Actor) -> Left:
    """End every role of a person in a study at once, those that begin later included.

    The next request of theirs finds no study. Whoever holds no role in any study then is signed out everywhere; the
    account itself is switched off by an administrator of accounts.
    """
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    if not reason.strip():
        raise Refused("Say why the person leaves.", field="reason")
    user = lock(User, pk=user.pk)
    today = today_in(study.timezone)
    rows = [
        row for row in user.memberships.filter(study=study).order_by("pk")
        if membership_state(row, today) != "ended"
    ]  # fmt: skip
    if not rows:
        raise Conflict(f"{user.name} holds no role in this study any more.")
    for row in rows:
        role_end(membership=row, reason=reason, actor=actor)
    followed = [] if holds_a_role(user) else _gone(user, reason, actor)
    audit(
        actor=actor, action=Action.PERSON_LEFT, subject_type="person", subject_code=user.pk,
        study_id=study.pk, reason=reason,
        data={"person": user.name, "roles": [row.role for row in rows], "followed": followed},
    )  # fmt: skip
    return Left(len(rows), tuple(followed))


def sign_out_everywhere(user: User) -> int:
    """End every sign-in of a person inside the caller's transaction; return how many."""
    rows = SignIn.objects.filter(user=user, ended_at=None)
    return rows.update(ended_at=clock.now(), ended_how=SignIn.Ended.ELSEWHERE)


def _gone(user: User, reason: str, actor: Actor) -> list[str]:
    followed = carry_out_gone(user, reason, actor)
    if sign_out_everywhere(user):
        followed.append("They are signed out everywhere.")
    return followed
