"""What becomes of number and kit when somebody leaves the path."""

from studylab.access import Actor
from studylab.allocation.models import CodeCard, Kit, Reveal
from studylab.allocation.models.reveals import EMERGENCY_HOLD
from studylab.allocation.selectors import entry_of, kit_of
from studylab.participants.models import Hold, Participant

_AT_HAND = (Kit.State.PREPARED, Kit.State.DISPENSED)


def consequences(participant: Participant) -> list[str]:
    """Return what will be so afterwards, as sentences. The kit itself is moved by the pharmacist only."""
    entry = entry_of(participant)
    if entry is None:
        return []
    said = [f"Number {entry.number} stays theirs and is issued to nobody else."]
    kit = kit_of(participant)
    if kit is not None and kit.state in _AT_HAND:
        said.append(f"Kit {kit.number} is on the pharmacist's list to be taken back.")
    return said


def carry_out(*, actor: Actor, participant: Participant, status: str, reason: str) -> list[str]:
    """Return the same sentences: the dispensary reads the volunteer's state, so nothing needs to be written."""
    return consequences(participant)


def codes_open(participant: Participant) -> list[str]:
    """Return which openings of this person's code are not settled, as sentences. None of them tells an arm."""
    found = []
    holds = Hold.objects.filter(participant=participant, reason=EMERGENCY_HOLD, released_at=None)
    if holds.exists() and Reveal.objects.filter(participant=participant).exists():
        found.append(
            f"The code of {participant.code} was opened and the emergency is not closed: its hold stands."
        )
    if CodeCard.objects.filter(entry__participant=participant, line=None).exists():
        found.append(f"A paper card of {participant.code} is not settled.")
    return found
