"""One set of resting readings and the one value per measure that is judged.

Pressures are mmHg, pulse is beats per minute. The decision value is the mean of readings 2 and 3 and is
never rounded before it meets a limit: 89.5 is below 90. When the systolic values of readings 2 and 3 differ
by more than the protocol allows, a fourth reading is taken and the mean of 3 and 4 counts instead.

Sources: three readings one to two minutes apart with the first one dropped, ESH 2021 and ESC 2024 as reported
in secondary sources; plausibility edges and the fourth reading are this project's proposals for the
supervising physician to confirm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise

from studylab.studies.rules.protocol import Measuring

PLAUSIBLE = {"systolic": (60.0, 260.0), "diastolic": (30.0, 160.0), "pulse": (30.0, 220.0)}
PULSE_PRESSURE_MIN = 10.0  # diastolic must lie below systolic minus this
UNITS = {"systolic": "mmHg", "diastolic": "mmHg", "pulse": "beats per minute"}
WORDS = {"systolic": "Systolic pressure", "diastolic": "Diastolic pressure", "pulse": "Pulse"}


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading as taken. `at` carries a time zone; None anywhere means "not entered"."""

    systolic: float | None
    diastolic: float | None
    pulse: float | None
    at: datetime | None


@dataclass(frozen=True, slots=True)
class VitalProblem:
    """Why a set cannot be decided: `field` is for example "reading_2.pulse", "rest_seconds", "readings"."""

    code: str
    field: str
    message: str


@dataclass(frozen=True, slots=True)
class VitalDecision:
    """Unrounded means of the two readings whose numbers (counted from 1) are in `used`."""

    systolic: float
    diastolic: float
    pulse: float
    used: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Undecided:
    """The set does not say anything yet; never to be read as a pass."""

    problems: tuple[VitalProblem, ...]

    @property
    def fourth_required(self) -> bool:
        """Whether a fourth reading is what is missing."""
        return any(problem.code == "fourth_required" for problem in self.problems)


def mean_arterial_pressure(systolic: float, diastolic: float) -> float:
    """Return diastolic plus a third of the pulse pressure, in mmHg, unrounded (common practice)."""
    return diastolic + (systolic - diastolic) / 3


def shown(value: float) -> str:
    """Return `value` for display: at most one decimal, halves up, so that 89.5 never looks like 90."""
    if abs(value) >= 1_000_000:
        return f"{value:g}"  # a typing slip, named in a message; not worth every digit
    rounded = Decimal(repr(float(value))).quantize(Decimal("0.1"), rounding=ROUND_HALF_UP)
    return f"{rounded:f}".removesuffix(".0")


def _is_number(value: float | None) -> bool:
    return value is not None and not isinstance(value, bool) and math.isfinite(value)


def plausibility(
    systolic: float | None, diastolic: float | None, pulse: float | None
) -> list[VitalProblem]:
    """Return what is missing or cannot be true in one reading; fields "systolic", "diastolic", "pulse"."""
    problems = []
    values = {"systolic": systolic, "diastolic": diastolic, "pulse": pulse}
    for name, value in values.items():
        low, high = PLAUSIBLE[name]
        if not _is_number(value):
            problems.append(VitalProblem("missing", name, f"{WORDS[name]} is not entered."))
        elif value is not None and not low <= value <= high:
            problems.append(
                VitalProblem(
                    "implausible",
                    name,
                    f"{WORDS[name]} {shown(value)} is not between {low:g} and {high:g} {UNITS[name]}. "
                    "Check the device and enter it again.",
                )
            )
    if not any(p.field in {"systolic", "diastolic"} for p in problems):
        assert systolic is not None
        assert diastolic is not None
        if not diastolic < systolic - PULSE_PRESSURE_MIN:
            problems.append(
                VitalProblem(
                    "implausible",
                    "diastolic",
                    f"Diastolic pressure {shown(diastolic)} must be more than {PULSE_PRESSURE_MIN:g} mmHg "
                    f"below systolic {shown(systolic)}. Check that the two are not mixed up.",
                )
            )
    return problems


def _reading_problems(readings: Sequence[Reading]) -> list[VitalProblem]:
    problems = []
    for number, reading in enumerate(readings, start=1):
        for found in plausibility(reading.systolic, reading.diastolic, reading.pulse):
            problems.append(
                VitalProblem(
                    found.code,
                    f"reading_{number}.{found.field}",
                    f"Reading {number}: {found.message}",
                )
            )
        if reading.at is None or reading.at.utcoffset() is None:
            problems.append(
                VitalProblem(
                    "time_unknown",
                    f"reading_{number}.at",
                    f"Reading {number}: the time it was taken is not known.",
                )
            )
    return problems


def _gap_problems(readings: Sequence[Reading], measuring: Measuring) -> list[VitalProblem]:
    low, high = measuring.gap_min_seconds, measuring.gap_max_seconds
    problems = []
    for number, (before, after) in enumerate(pairwise(readings), start=2):
        if before.at is None or after.at is None:
            continue  # named by _reading_problems
        if before.at.utcoffset() is None or after.at.utcoffset() is None:
            continue
        # Through UTC: two times in one zone would otherwise be subtracted by the wall clock.
        gap = (after.at.astimezone(UTC) - before.at.astimezone(UTC)).total_seconds()
        if low <= gap <= high:
            continue
        code = "gap_short" if gap < low else "gap_long"
        problems.append(
            VitalProblem(
                code,
                f"reading_{number}.at",
                f"Reading {number} was taken {gap:g} s after reading {number - 1}; "
                f"{low} to {high} s are asked for. Start a new set.",
            )
        )
    return problems


def _rest_problems(rest_seconds: int | None, measuring: Measuring) -> list[VitalProblem]:
    if rest_seconds is None:
        message = "How long the person rested before the first reading is not known. Rest and start a new set."
        return [VitalProblem("rest_unknown", "rest_seconds", message)]
    if rest_seconds < measuring.rest_seconds:
        message = (
            f"The person rested {rest_seconds} s before the first reading; {measuring.rest_seconds} s are "
            "asked for. Rest and start a new set."
        )
        return [VitalProblem("rest_short", "rest_seconds", message)]
    return []


def _count_problems(readings: Sequence[Reading], measuring: Measuring) -> list[VitalProblem]:
    if len(readings) < 3:
        message = f"{len(readings)} of 3 readings are taken."
        return [VitalProblem("too_few", "readings", message)]
    if len(readings) > 4:
        message = f"A set has at most 4 readings, this one has {len(readings)}. Start a new set."
        return [VitalProblem("too_many", "readings", message)]
    if len(readings) == 3 and _fourth_needed(readings, measuring):
        message = (
            "Systolic pressure of readings 2 and 3 differs by more than "
            f"{measuring.fourth_if_systolic_differs:g} mmHg. Take a fourth reading."
        )
        return [VitalProblem("fourth_required", "readings", message)]
    return []


def _fourth_needed(readings: Sequence[Reading], measuring: Measuring) -> bool:
    second, third = readings[1].systolic, readings[2].systolic
    if second is None or third is None:
        return False  # named as missing; nothing is decided on it
    return abs(second - third) > measuring.fourth_if_systolic_differs


def decide(
    readings: Sequence[Reading], *, rest_seconds: int | None, measuring: Measuring
) -> VitalDecision | Undecided:
    """Return the decision value of one set in the order taken, or every reason why there is none.

    All readings of the set are checked, also the dropped first one: a set with an impossible reading in
    it was not taken as asked.
    """
    problems = [
        *_rest_problems(rest_seconds, measuring),
        *_count_problems(readings, measuring),
        *_reading_problems(readings),
        *_gap_problems(readings, measuring),
    ]
    if problems:
        return Undecided(tuple(problems))
    first = 2 if _fourth_needed(readings, measuring) else 1
    one, two = readings[first], readings[first + 1]
    return VitalDecision(
        systolic=_mean(one.systolic, two.systolic),
        diastolic=_mean(one.diastolic, two.diastolic),
        pulse=_mean(one.pulse, two.pulse),
        used=(first + 1, first + 2),
    )


def _mean(one: float | None, two: float | None) -> float:
    assert one is not None  # decide() has refused missing values by now
    assert two is not None
    return (one + two) / 2
