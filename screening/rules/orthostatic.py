"""The standing test: does the pressure fall when the person stands up?

A sustained fall of 20 systolic or 10 diastolic within 3 minutes of standing is orthostatic hypotension, as is a
standing systolic below 90 (Freeman 2011 consensus; ESC; numbers read in a secondary source). From a chair, falls
from 15 or 7 already matched the supine test (Shaw 2017 J Hypertens), so they ask for a repeat from lying down.
"Sustained" is read strictly: a fall at one of the two readings is enough.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from screening.rules.vitals import plausibility, shown
from studylab.studies.rules.protocol import StandingLimits

MINUTES = (1, 3)
Outcome = Literal["pass", "repeat_supine", "fail", "undecided"]


@dataclass(frozen=True, slots=True)
class Pressure:
    """One pressure, mmHg."""

    systolic: float
    diastolic: float


@dataclass(frozen=True, slots=True)
class OrthostaticResult:
    """`falls` are (minutes standing, systolic fall, diastolic fall); negative when the pressure rose."""

    outcome: Outcome
    falls: tuple[tuple[int, float, float], ...]
    reasons: tuple[str, ...]


def orthostatic(
    lying: Pressure | None,
    standing_1: Pressure | None,
    standing_3: Pressure | None,
    symptoms: bool | None,
    *,
    start: Literal["supine", "seated"] = "supine",
    limits: StandingLimits | None = None,
) -> OrthostaticResult:
    """Judge the test; a failure found counts even when other values are missing, a pass needs them all.

    `lying` is the value before standing up, taken in the posture `start`.
    """
    limits = limits or StandingLimits()
    missing = _missing(lying, standing_1, standing_3, symptoms)
    falls = _falls(lying, {1: standing_1, 3: standing_3})
    failures = _failures(falls, {1: standing_1, 3: standing_3}, symptoms, limits)
    if failures:
        return OrthostaticResult("fail", falls, failures)
    if missing:
        return OrthostaticResult("undecided", falls, missing)
    if start == "seated":
        repeats = tuple(
            f"Sitting to standing: fall of {shown(sys)}/{shown(dia)} mmHg after {minute} min. Repeat from supine."
            for minute, sys, dia in falls
            if sys >= limits.seated_systolic_fall or dia >= limits.seated_diastolic_fall
        )
        if repeats:
            return OrthostaticResult("repeat_supine", falls, repeats)
    return OrthostaticResult("pass", falls, ())


def _usable(value: Pressure | None) -> bool:
    if value is None:
        return False
    return not [p for p in plausibility(value.systolic, value.diastolic, 60) if p.field != "pulse"]


def _missing(
    lying: Pressure | None,
    standing_1: Pressure | None,
    standing_3: Pressure | None,
    symptoms: bool | None,
) -> tuple[str, ...]:
    named = {
        "before standing": lying,
        "after 1 min standing": standing_1,
        "after 3 min standing": standing_3,
    }
    reasons = []
    for where, value in named.items():
        if value is None:
            reasons.append(f"The pressure {where} is not entered.")
        elif not _usable(value):
            reasons.append(
                f"The pressure {where}, {shown(value.systolic)}/{shown(value.diastolic)}, cannot be right."
            )
    if symptoms is None:
        reasons.append("Whether there were symptoms on standing is not answered.")
    return tuple(reasons)


def _falls(
    lying: Pressure | None, standing: dict[int, Pressure | None]
) -> tuple[tuple[int, float, float], ...]:
    if lying is None or not _usable(lying):
        return ()
    return tuple(
        (minute, lying.systolic - value.systolic, lying.diastolic - value.diastolic)
        for minute, value in standing.items()
        if value is not None and _usable(value)
    )


def _failures(
    falls: tuple[tuple[int, float, float], ...],
    standing: dict[int, Pressure | None],
    symptoms: bool | None,
    limits: StandingLimits,
) -> tuple[str, ...]:
    reasons = []
    for minute, systolic, diastolic in falls:
        if systolic >= limits.systolic_fall or diastolic >= limits.diastolic_fall:
            reasons.append(
                f"Fall of {shown(systolic)}/{shown(diastolic)} mmHg after {minute} min standing."
            )
    for minute, value in standing.items():
        if value is not None and _usable(value) and value.systolic < limits.systolic_from:
            reasons.append(
                f"Standing systolic {shown(value.systolic)} mmHg after {minute} min is below "
                f"{limits.systolic_from:g}."
            )
    if symptoms:
        reasons.append("Symptoms on standing.")
    return tuple(reasons)


def standing_times(
    stood_at: datetime | None,
    read_at: dict[int, datetime | None],
    limits: StandingLimits,
) -> tuple[str, ...]:
    """Return what is wrong with the moments of the standing readings; instants carry a time zone.

    `read_at` is by minute, 1 and 3. A reading that was not taken is no matter here.
    """
    taken = {minute: at for minute, at in read_at.items() if at is not None}
    if not taken:
        return ()
    if stood_at is None or stood_at.utcoffset() is None:
        return ("When the person stood up is not known.",)
    reasons = []
    for minute, at in taken.items():
        seconds = (at.astimezone(UTC) - stood_at.astimezone(UTC)).total_seconds()
        if abs(seconds - minute * 60) > limits.tolerance_seconds:
            reasons.append(
                f"The reading after {minute} min was taken {seconds:g} s after standing up; "
                f"{minute * 60} s, {limits.tolerance_seconds} s either way, are asked for."
            )
    return tuple(reasons)
