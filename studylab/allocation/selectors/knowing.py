"""Whether a person of the staff may know a volunteer's arm. Only yes or no leaves this place, and only to refuse."""

from studylab.allocation.models import Reveal
from studylab.participants.models import Participant

# Said to everybody who is refused for what they may know or for a relation, so that the words tell nothing.
SOMEBODY_ELSE = "Somebody else works with this volunteer. Hand the tablet over."


def may_know_arm(participant: Participant, user_id: int | None) -> bool:
    """Whether this person opened the volunteer's code, in an emergency or by a paper card."""
    return Reveal.objects.filter(participant=participant, by_id=user_id).exists()
