"""The standing test: does the pressure fall when the person stands up?

A fall of 20 systolic or 10 diastolic within 3 minutes of standing, or a standing systolic below 90, is
orthostatic hypotension (Freeman 2011 consensus, numbers read in a secondary source). From a chair, falls from
15 or 7 already matched the supine test (Shaw 2017 J Hypertens), so they ask for a repeat from supine.
"""

from dataclasses import dataclass
from typing import Literal

from screening.rules.vitals import plausibility, shown

Outcome = Literal["pass", "repeat_supine", "fail", "undecided"]


@dataclass(frozen=True, slots=True)
class Pressure:
    """One pressure, mmHg."""

    systolic: float
    diastolic: float


@dataclass(frozen=True, slots=True)
class OrthostaticLimits:
    """Falls at or above these fail; standing systolic below `standing_systolic_from` fails. mmHg."""

    systolic_fall: float = 20.0
    diastolic_fall: float = 10.0
    standing_systolic_from: float = 90.0
    seated_systolic_fall: float = 15.0
    seated_diastolic_fall: float = 7.0


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
    limits: OrthostaticLimits | None = None,
) -> OrthostaticResult:
    """Judge the test; a failure found counts even when other values are missing, a pass needs them all.

    `lying` is the value before standing up, taken in the posture `start`.
    """
    limits = limits or OrthostaticLimits()
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
    limits: OrthostaticLimits,
) -> tuple[str, ...]:
    reasons = []
    for minute, systolic, diastolic in falls:
        if systolic >= limits.systolic_fall or diastolic >= limits.diastolic_fall:
            reasons.append(
                f"Fall of {shown(systolic)}/{shown(diastolic)} mmHg after {minute} min standing."
            )
    for minute, value in standing.items():
        if value is not None and _usable(value) and value.systolic < limits.standing_systolic_from:
            reasons.append(
                f"Standing systolic {shown(value.systolic)} mmHg after {minute} min is below "
                f"{limits.standing_systolic_from:g}."
            )
    if symptoms:
        reasons.append("Symptoms on standing.")
    return tuple(reasons)
