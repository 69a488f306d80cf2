"""The lead's decision about a relation between a volunteer and staff."""

from screening.models import StaffDecision
from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant, said
from studylab.people.models import User
from studylab.people.services.roles import require_in


@service
def staff_decide(
    *, participant: Participant, user: User | None, kept_away: bool, reason: str, actor: Actor
) -> StaffDecision:
    """Decide whether somebody of the staff is kept away from a volunteer's visits.

    Refused while that person is booked for a visit of the volunteer that has not begun.
    """
    require_in(actor, Cap.SETUP_EDIT, participant.study)
    participant = lock_participant(participant, actor)
    if kept_away and user is None:
        raise Refused("Name who is kept away.", field="user")
    if kept_away and user is not None:
        _check_not_booked(participant, user)
    decision = StaffDecision.objects.create(
        participant=participant,
        user=user,
        kept_away=kept_away,
        reason=said(reason, field="reason", ask="Say why."),
        decided_at=clock.now(),
        decided_by_id=actor.user_id,
    )
    audit(
        actor=actor,
        action=Action.RELATION_DECIDED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        reason=decision.reason,
        data={"person": user.name if user else "", "kept_away": kept_away},
    )
    return decision


def _check_not_booked(participant: Participant, user: User) -> None:
    booked = participant.visits.filter(
        state="booked", bookings__is_active=True, bookings__place__resource__user=user
    ).values_list("number", flat=True)
    numbers = sorted(set(booked))
    if numbers:
        raise Refused(
            f"{user.name} is booked for visit {', '.join(map(str, numbers))} of {participant.code}. Have the "
            "coordinator move that first.",
            field="user",
        )
