"""Whether a person of the staff may know a volunteer's arm. Only yes or no leaves this place, and only to refuse."""

from studylab.allocation.models import Reveal
from studylab.participants.kept_away import SOMEBODY_ELSE as SOMEBODY_ELSE
from studylab.participants.models import Participant


def may_know_arm(participant: Participant, user_id: int | None) -> bool:
    """Whether this person opened the volunteer's code, in an emergency or by a paper card."""
    return Reveal.objects.filter(participant=participant, by_id=user_id).exists()
