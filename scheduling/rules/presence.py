"""Presence instead of plans: who is really there for a dose, and how long ago that was last said.

Every number is a proposal of the house, common practice without a source, for the supervising physician to judge.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.rules.elapsed import add_elapsed

SIGN_OF_LIFE_EVERY = timedelta(
    minutes=15
)  # somebody with a dosed volunteer says so, or records a step


@dataclass(frozen=True, slots=True)
class Stay:
    """Who stays with a volunteer. `due_at` is when the next sign of it is due, None when none is asked for.

    `name` is "" when nobody has said so at this visit.
    """

    name: str
    since: datetime | None
    due_at: datetime | None
    missed: bool


def stay_of(
    *, name: str, since: datetime | None, last_sign: datetime | None, watched: bool, at: datetime
) -> Stay:
    """Return how it stands at `at`. `watched`: dosed and not left; `last_sign` is the newest sign of somebody there."""
    if not watched or last_sign is None:
        return Stay(name, since, None, missed=watched)
    due = add_elapsed(last_sign, SIGN_OF_LIFE_EVERY)
    return Stay(name, since, due, missed=at > due)
