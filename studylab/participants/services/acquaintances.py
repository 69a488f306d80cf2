"""Recording that volunteers know each other, and whether they are kept apart."""

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Acquaintance, Participant
from studylab.participants.services.checks import lock_participant, said


@service
def acquaintance_decide(
    *, participant: Participant, code: str, apart: bool, reason: str, actor: Actor
) -> Acquaintance:
    """Record that a volunteer knows another one of the study, and whether the two are kept apart from now on.

    Kept apart, they are offered and booked no time at which the other one is in the lab. `reason` says how
    they know each other, or why they may meet all the same. Visits booked before stay as they are.
    """
    require(actor, Cap.QUESTIONS_RECORD)
    person = lock_participant(participant, actor)
    if actor.user_id is None:
        raise NotAllowed("A person decides this, never the house by itself.")
    other = Participant.objects.filter(study_id=person.study_id, code=code.strip().upper()).first()
    if other is None:
        raise Refused("No volunteer of this study has this code.", field="code")
    if other.pk == person.pk:
        raise Refused("Name another volunteer than this one.", field="code")
    first, second = sorted((person, other), key=lambda one: one.pk)
    made = Acquaintance.objects.create(
        one=first, other=second, apart=apart, at=clock.now(), by_id=actor.user_id,
        reason=said(reason, field="reason", ask="Say how they know each other, or why it changes."),
    )  # fmt: skip
    for who, whom in ((person, other), (other, person)):
        audit(
            actor=actor, action=Action.ACQUAINTANCE_DECIDED, subject_type="participant",
            subject_code=whom.code, participant_code=who.code, reason=made.reason,
            data={"apart": apart},
        )  # fmt: skip
    return made
