"""Whom to try next when somebody cannot be reached: the ladder of the study document, with times."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.rules.elapsed import add_elapsed
from studylab.studies.rules.protocol import FollowUp


@dataclass(frozen=True, slots=True)
class Rung:
    """The next try: whom, from when on, which it is of how many. `last` when nobody comes after."""

    who: str
    due: datetime
    number: int
    of: int

    @property
    def last(self) -> bool:
        """Whether the ladder ends here."""
        return self.number >= self.of

    def overdue(self, at: datetime) -> bool:
        """Whether it should have been tried by now."""
        return at >= self.due


def next_rung(follow_up: FollowUp, failed: Sequence[datetime], start: datetime) -> Rung:
    """Return whom to try next after the tries that failed; `start` is when the first is due.

    After the last rung it is tried again and again: nobody is ever recorded as well by silence.
    """
    index = min(len(failed), len(follow_up.ladder) - 1)
    again = timedelta(minutes=follow_up.again_after_minutes)
    due = add_elapsed(max(failed), again) if failed else start
    return Rung(follow_up.ladder[index], due, index + 1, len(follow_up.ladder))
