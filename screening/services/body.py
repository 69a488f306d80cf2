"""Asking whether the same person is here, when a measurement jumps that hardly changes."""

from screening.rules.body import GIRTH_CM, HEIGHT_CM, body_jump
from studylab.access import Actor
from studylab.participants.models import Hold, Participant
from studylab.participants.services import hold_open

_MOST = {"The upper arm": GIRTH_CM, "The height": HEIGHT_CM}


def same_body(
    what: str, before: float | None, now: float | None, participant: Participant, actor: Actor
) -> None:
    """Put the person on hold when the height or the girth of the arm is another one than before, both in cm."""
    question = body_jump(what, before, now, _MOST[what])
    if question:
        hold_open(participant=participant, kind=Hold.Kind.OTHER, reason=question, actor=actor)
