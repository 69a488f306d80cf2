"""How many wrong passwords for signatures there may be, and what follows: pure, over what the trail holds."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

TRIES = 5
WITHIN = timedelta(minutes=10)
LOCKED_FOR = timedelta(minutes=10)
# An emergency opening is slowed down and never locked: at night there may be nobody else who can open the code. Three
# tries a minute help nobody who guesses, and a clinician who knows the password waits 20 seconds at most.
PAUSE = timedelta(seconds=20)
_SAY_WHEN_LEFT = 2
_COUNT = ("", "one more wrong one", "two more wrong ones")


class Act(StrEnum):
    """What happened at a signature."""

    GIVEN = "given"
    WRONG = "wrong"
    LOCKED = "locked"


@dataclass(frozen=True, slots=True)
class Standing:
    """Where somebody stands: wrong passwords that count now, until when nothing is signed, when the last wrong one was."""

    wrong: int = 0
    until: datetime | None = None
    last_wrong: datetime | None = None

    @property
    def next_locks(self) -> bool:
        """Whether one more wrong password leads to a lock."""
        return self.wrong + 1 >= TRIES

    def urgent_at(self) -> datetime | None:
        """Return from when an emergency opening is tried again while other signatures are refused; None for at once."""
        if self.until is None or self.last_wrong is None:
            return None
        return self.last_wrong + PAUSE


def standing(acts: Iterable[tuple[Act, datetime]], now: datetime) -> Standing:
    """Return where somebody stands by their acts, the newest first.

    A given signature clears what came before it, and so does a lock that is over. Wrong passwords of an emergency
    opening during a lock count towards the next one.
    """
    wrong, last, counts = 0, None, True
    for act, at in acts:
        if act is Act.GIVEN:
            break
        if act is Act.LOCKED:
            if at + LOCKED_FOR > now:
                return Standing(wrong, at + LOCKED_FOR, last or at)
            break
        last = last or at
        counts = counts and at > now - WITHIN
        wrong += counts
    return Standing(wrong, None, last)


def wrong_words(left: int) -> str:
    """Say that the password was wrong, and how many more tries there are once few are left."""
    said = "This is not your password, so nothing was signed. Enter it again."
    if not 0 < left <= _SAY_WHEN_LEFT:
        return said
    minutes = LOCKED_FOR // timedelta(minutes=1)
    return f"{said} After {_COUNT[left]} you can sign nothing for {minutes} minutes."


def locked_words(until: str) -> str:
    """Say until when nothing is signed, and what helps."""
    return (
        f"After {TRIES} wrong passwords you can sign nothing until {until}, so nothing was signed. Opening a code in an "
        "emergency stays possible. If you forgot your password, ask an administrator of accounts for a link for a new one; "
        "if it was not you who tried, change it."
    )


def second_locked_words(name: str, until: str) -> str:
    """Say the same of the second person."""
    return (
        f"After {TRIES} wrong passwords {name} can sign nothing until {until}, so nothing was recorded. Ask another member "
        "of the study to be the second person."
    )


def pause_words(seconds: float) -> str:
    """Say how long to wait before an emergency opening is tried again."""
    left = max(1, math.ceil(seconds))
    return (
        f"Wait {left} {'second' if left == 1 else 'seconds'}, then enter the password again: after many wrong ones an opening "
        "is tried three times a minute. It is never locked. The paper code card opens as well."
    )
