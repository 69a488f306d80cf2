"""Where a message can stand, and where it can go from there.

    waiting -> claimed -> sending -> sent | refused | failed | question | waiting (tried again)
    waiting, claimed -> dropped | too_late | question (the site was restored: it may have gone out)
    refused, failed, question, too_late -> sent | waiting | dropped (a person decided)

Between "sending" and its outcome lies the one moment at which nobody can know whether the message left. Whoever is
interrupted there leaves a question to a person; nothing sends such a message again by itself.
"""

from enum import StrEnum


class State(StrEnum):
    """How far a message is."""

    WAITING = "waiting"
    CLAIMED = "claimed"
    SENDING = "sending"
    SENT = "sent"
    FAILED = "failed"
    QUESTION = "question"
    REFUSED = "refused"
    TOO_LATE = "too_late"
    DROPPED = "dropped"


STATE_WORDS = {
    State.WAITING: "waiting",
    State.CLAIMED: "about to be sent",
    State.SENDING: "being sent",
    State.SENT: "sent",
    State.FAILED: "not sent: tries used up",
    State.QUESTION: "unclear whether it went out",
    State.REFUSED: "refused: not taken",
    State.TOO_LATE: "too late to be of use",
    State.DROPPED: "not wanted any more",
}

_ENDS = (State.SENT, State.WAITING, State.DROPPED)
MOVES: dict[State, tuple[State, ...]] = {
    State.WAITING: (State.CLAIMED, State.DROPPED, State.TOO_LATE, State.QUESTION),
    State.CLAIMED: (
        State.WAITING,
        State.SENDING,
        State.DROPPED,
        State.TOO_LATE,
        State.FAILED,
        State.QUESTION,
    ),
    State.SENDING: (State.SENT, State.WAITING, State.REFUSED, State.FAILED, State.QUESTION),
    State.QUESTION: _ENDS,
    State.REFUSED: _ENDS,
    State.FAILED: _ENDS,
    State.TOO_LATE: (State.SENT, State.DROPPED),
    State.SENT: (),
    State.DROPPED: (),
}
OPEN = (State.WAITING, State.CLAIMED)  # nothing has left yet: may still be dropped
GOING_OUT = (*OPEN, State.SENDING)
NEEDS_PERSON = (State.QUESTION, State.REFUSED, State.FAILED, State.TOO_LATE)


class Outcome(StrEnum):
    """What became of one attempt."""

    SENT = "sent"
    LATER = "later"  # not taken for now; may be tried again
    REFUSED = "refused"  # not taken, and would not be taken again
    UNKNOWN = "unknown"  # nobody can tell whether it left
    DROPPED = "dropped"  # not sent: it could not be made
