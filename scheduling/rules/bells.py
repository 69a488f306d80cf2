"""For what a tablet rings: the check after the wait, interim checks, timers and leaving, each with its three times.

Everything that counts from the dose is given the dose as it stands on record, so a corrected dose time moves it.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import add_elapsed, to_utc
from scheduling.rules.waits import WaitState
from studylab.studies.rules.protocol import Step

# PROPOSAL: "about 30 minutes after the dose" is on time within ten minutes either way.
INTERIM_EITHER_WAY = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class Bell:
    """Something with a time. `earliest` <= `target` <= `latest`, in UTC; `latest` is None where nothing is too late.

    `words` name a step or a check and nothing about the person, so they may stand on a locked screen.
    """

    key: str
    words: str
    earliest: datetime
    target: datetime
    latest: datetime | None

    def state(self, at: datetime) -> Literal["waiting", "due", "late"]:
        """Return how it stands at a moment; `latest` itself is still on time."""
        if at < self.target:
            return "waiting"
        return "late" if self.latest is not None and at > self.latest else "due"


def check_bell(wait: WaitState) -> Bell:
    """Return the bell of the check after the wait: earliest and target are the end of the wait."""
    return Bell("check", "check after the dose", wait.due_at, wait.due_at, wait.latest_at)


def interim_bells(
    steps: Sequence[Step], settled: Collection[str], given_at: datetime
) -> list[Bell]:
    """Return the bells of the checks that are due so long after the dose and not settled yet."""
    dose = to_utc(given_at, "given_at")
    found = []
    for step in steps:
        if step.after_dose_minutes is None or step.key in settled:
            continue
        target = add_elapsed(dose, timedelta(minutes=step.after_dose_minutes))
        unit = "pulse" if step.unit == "per minute" else "check"
        found.append(
            Bell(
                step.key, f"{unit} {step.after_dose_minutes} min after the dose",
                add_elapsed(target, -INTERIM_EITHER_WAY), target,
                add_elapsed(target, INTERIM_EITHER_WAY),
            )
        )  # fmt: skip
    return found


def timer_bell(step: Step, until: datetime) -> Bell:
    """Return the bell of a timer that runs: over is over, and nothing is too late."""
    return Bell(step.key, "timer", until, until, None)


def leave_bell(earliest: datetime) -> Bell:
    """Return the bell of the fit-to-leave check."""
    return Bell("leave", "leave check", earliest, earliest, None)
