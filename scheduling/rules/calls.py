"""Calls to somebody who left against advice: at set times until 24 hours after the dose.

The times are a proposal of the house (common practice, without a source): the kinetics of a single oral dose put its
greatest effect into the first hours, so calls are close together then.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import add_elapsed

AFTER_LEAVING = tuple(timedelta(hours=hours) for hours in (1, 2, 4, 8, 12))
LAST_AFTER_DOSE = timedelta(hours=24)
EARLY = timedelta(minutes=15)  # so much before its time a call still counts for it
LATE = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class NextCall:
    """The call to make next: which one of how many, when, and how that stands."""

    number: int
    of: int
    at: datetime
    state: Literal["later", "due", "overdue"]


def call_times(left_at: datetime, dosed_at: datetime) -> tuple[datetime, ...]:
    """Return when calls are due, the last 24 hours after the dose; at least that one."""
    last = add_elapsed(dosed_at, LAST_AFTER_DOSE)
    times = [add_elapsed(left_at, after) for after in AFTER_LEAVING]
    return (*(at for at in times if at < last), last)


def next_call(
    left_at: datetime, dosed_at: datetime, reached_at: Iterable[datetime], at: datetime
) -> NextCall | None:
    """Return the first call that is not made, None when all are. Only reaching the volunteer counts.

    Having reached somebody later makes up for an earlier call that was missed, never for a later one.
    """
    times = call_times(left_at, dosed_at)
    newest = max(reached_at, default=None)
    for number, due in enumerate(times, start=1):
        if newest is not None and newest >= due - EARLY:
            continue
        state: Literal["later", "due", "overdue"] = "later"
        if at >= due - EARLY:
            state = "overdue" if at > due + LATE else "due"
        return NextCall(number, len(times), due, state)
    return None
