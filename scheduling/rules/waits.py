"""How a wait stands, for example the 90 minutes between dose and post-dose check.

Waits are elapsed time: when the clocks change in the middle, the wait does not.
"""

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from scheduling.rules.elapsed import add_elapsed, elapsed, to_utc
from studylab.studies.rules.protocol import Wait


@dataclass(frozen=True, slots=True)
class WaitState:
    """A wait at one moment. Instants are UTC; `latest_at` still counts as on time.

    `remaining_seconds` is rounded up, so that it reaches 0 only when the wait is over.
    """

    due_at: datetime
    latest_at: datetime
    state: Literal["waiting", "due", "late"]
    remaining_seconds: int


def wait_state(started_at: datetime, wait: Wait, at: datetime) -> WaitState:
    """Return how `wait`, begun at `started_at`, stands at the moment `at`."""
    due_at = add_elapsed(to_utc(started_at, "started_at"), wait.length)
    latest_at = add_elapsed(due_at, wait.tolerance)
    remaining = elapsed(to_utc(at, "at"), due_at).total_seconds()
    state: Literal["waiting", "due", "late"] = "due"
    if remaining > 0:
        state = "waiting"
    elif to_utc(at, "at") > latest_at:
        state = "late"
    return WaitState(due_at, latest_at, state, max(0, math.ceil(remaining)))
