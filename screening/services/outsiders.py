"""Who takes no part in a volunteer's visits: kept away for a relation, or somebody who may know the arm.

Both are refused in the same words, so that a refusal tells nothing. Asked when something is written; the pages of
whoever is kept away are closed besides (`participants.kept_away`), those of whoever may know the arm are not. The readings before leaving are care, not a measurement of the study: whoever is there takes them.
"""

from screening.models import VitalSet
from screening.selectors.staff_ties import kept_away
from studylab.access import Actor
from studylab.allocation.selectors import SOMEBODY_ELSE, may_know_arm
from studylab.errors import Refused
from studylab.participants.models import Participant


def is_outsider(participant: Participant, user_id: int | None) -> bool:
    """Whether this person of the staff takes no part in the volunteer's visits."""
    return user_id in kept_away(participant) or may_know_arm(participant, user_id)


def check_measurer(
    participant: Participant, gate: str, actor: Actor, measured_by: int | None = None
) -> None:
    """Refuse who must not measure this volunteer at a gate: as the one who records, or who measured (`measured_by`)."""
    if gate == VitalSet.Gate.LEAVE:
        return
    if is_outsider(participant, actor.user_id):
        raise Refused(SOMEBODY_ELSE, code="somebody_else")
    if measured_by is not None and is_outsider(participant, measured_by):
        raise Refused(
            "Somebody else measures this volunteer. Take the set anew.",
            field="measured_by",
            code="somebody_else",
        )
