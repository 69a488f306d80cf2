"""Checks besides the readings: standing test, pregnancy test, breath alcohol, last meal, ECG.

Each kind is judged by itself from plain values; `ruling` says what several of one kind come to. What is missing,
invalid or not yet read is "undecided" and never a pass. Limits come from the study document.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from screening.rules.ecg import Intervals, corrected_qt, outside
from screening.rules.orthostatic import Pressure, orthostatic, standing_times
from screening.rules.vitals import shown
from studylab.studies.rules.protocol import CheckKind, Limits

CheckOutcome = Literal["pass", "physician", "hold", "exclude", "undecided"]
NAMES: dict[CheckKind, str] = {
    "standing_test": "Standing test",
    "pregnancy_test": "Pregnancy test",
    "breath_alcohol": "Breath alcohol",
    "last_meal": "Last meal",
    "ecg": "ECG",
}
SOURCES: dict[CheckKind, str] = {
    "standing_test": "Freeman 2011 consensus and ESC (read second-hand); from a chair: Shaw 2017, J Hypertens 35:1019 (read)",
    "pregnancy_test": "US tablets label, pregnancy (read second-hand); the test before each dosing visit is a proposal",
    "breath_alcohol": "US extended-release label, 12.7 (read); the limit of zero is a proposal",
    "last_meal": "UK SmPC 4.3, prolonged fasting (read); the hours are a proposal",
    "ecg": "entry limits of NCT00549120 (read); caution in first-degree block: product texts (read)",
}
PREGNANCY = {"negative": "negative", "positive": "positive", "invalid": "invalid: no control line"}
# What a clinician may say of an ECG, and what follows.
CONCLUSIONS: dict[str, tuple[str, CheckOutcome]] = {
    "normal": ("normal", "pass"),
    "to_weigh": ("a finding to weigh", "physician"),
    "contraindication": (
        "block above first degree, sick sinus, pre-excitation or another contraindication",
        "exclude",
    ),
}
_WEIGHT: dict[CheckOutcome, int] = {
    "pass": 0, "undecided": 1, "physician": 2, "hold": 3, "exclude": 4,
}  # fmt: skip
RULES = {
    "last_meal": "The newest entry counts.",
    "": "All tests of this check count and the strictest decides; measuring again takes nothing back.",
}


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What one check came to: `said` is the value in words, `reasons` why it does not pass."""

    kind: CheckKind
    outcome: CheckOutcome
    said: str
    reasons: tuple[str, ...] = ()
    repeat: bool = False  # a standing test from a chair that asks for one from lying down


def judge_check(
    kind: CheckKind, values: Mapping[str, Any], limits: Limits, taken_at: datetime
) -> CheckResult:
    """Return what the values of one check come to; instants in them are texts with a time zone."""
    return _JUDGES[kind](values, limits, taken_at)


def ruling(results: Sequence[CheckResult]) -> CheckResult | None:
    """Return what all checks of one kind, oldest first, come to; None when there is none.

    The strictest counts, so nobody is cleared by measuring until it fits. The last meal is the newest entry; an
    undecided test and one from a chair that asks for a repeat are replaced by the next.
    """
    if not results:
        return None
    newest = results[-1]
    if newest.kind == "last_meal":
        return newest
    counting = [one for one in results[:-1] if one.outcome != "undecided" and not one.repeat]
    return max([newest, *reversed(counting)], key=lambda one: _WEIGHT[one.outcome])


def pregnancy_test_applies(answer: str | float | None) -> bool:
    """Whether the answer to "could you become pregnant" asks for a test; without an answer it does."""
    return answer != "no"


def _alcohol(values: Mapping[str, Any], limits: Limits, taken_at: datetime) -> CheckResult:
    value = _number(values.get("value"))
    if value is None or value < 0:
        return CheckResult("breath_alcohol", "undecided", "not known", ("No value is entered.",))
    said = f"{value:.2f} mg/L"
    if value > 0:
        return CheckResult(
            "breath_alcohol", "hold", said, (f"Breath alcohol {said}; it must be 0.",)
        )
    return CheckResult("breath_alcohol", "pass", said)


def _meal(values: Mapping[str, Any], limits: Limits, taken_at: datetime) -> CheckResult:
    eaten = _instant(values.get("eaten_at"))
    most = limits.numbers.get("fasting_hours")
    if eaten is None or eaten > taken_at or most is None:
        return CheckResult(
            "last_meal", "undecided", "not known", ("The time of the last meal is not known.",)
        )
    hours = (taken_at - eaten) / timedelta(hours=1)
    said = f"{int(hours)} h {int(hours * 60) % 60:02d} min before"
    if hours > most:
        why = f"Last meal {said}; at most {most:g} hours are allowed. Eat, then enter it again."
        return CheckResult("last_meal", "hold", said, (why,))
    return CheckResult("last_meal", "pass", said)


def _pregnancy(values: Mapping[str, Any], limits: Limits, taken_at: datetime) -> CheckResult:
    result = values.get("result")
    said = PREGNANCY.get(str(result), "not known")
    if result == "negative":
        return CheckResult("pregnancy_test", "pass", said)
    if result == "positive":
        return CheckResult("pregnancy_test", "exclude", said, ("The pregnancy test is positive.",))
    why = "The pregnancy test shows nothing valid. Take another test."
    return CheckResult("pregnancy_test", "undecided", said, (why,))


def _ecg(values: Mapping[str, Any], limits: Limits, taken_at: datetime) -> CheckResult:
    numbers = {name: _number(values.get(name)) for name in ("pr", "qrs", "qt", "rate")}
    if any(value is None or value <= 0 for value in numbers.values()):
        return CheckResult(
            "ecg", "undecided", "not known", ("The ECG intervals are not complete.",)
        )
    intervals = Intervals(**{name: value or 0.0 for name, value in numbers.items()})
    corrected = corrected_qt(intervals.qt, intervals.rate, limits.ecg.qtc_formula)
    said = f"PR {shown(intervals.pr)}, QRS {shown(intervals.qrs)}, QTc {shown(corrected)} ms"
    wrong = outside(intervals, limits.ecg)
    conclusion = CONCLUSIONS.get(str(values.get("conclusion")))
    if conclusion is None:
        why = "Recorded, not read: a clinician has not looked at it yet."
        return CheckResult("ecg", "undecided", said, (*wrong, why))
    words, outcome = conclusion
    if outcome == "pass" and wrong:
        outcome = "physician"
    reasons = wrong if words == "normal" else (f"Read as: {words}.", *wrong)
    return CheckResult("ecg", outcome, f"{said}, read as {words}", reasons)


def _standing(values: Mapping[str, Any], limits: Limits, taken_at: datetime) -> CheckResult:
    symptoms = values.get("symptoms")
    start = values.get("start")
    readings = {name: _pressure(values, name) for name in ("before", "one", "three")}
    judged = orthostatic(
        readings["before"],
        readings["one"],
        readings["three"],
        symptoms if isinstance(symptoms, bool) else None,
        start="supine" if start == "lying" else "seated",
        limits=limits.standing,
    )
    said = ", ".join(
        f"{where} {shown(value.systolic)}/{shown(value.diastolic)}"
        for where, value in zip(
            (f"{start}", "1 min standing", "3 min standing"), readings.values(), strict=True
        )
        if value is not None
    )
    said = f"{said or 'no readings'} mmHg"
    if judged.outcome == "fail":
        return CheckResult("standing_test", "exclude", said, judged.reasons)
    how = (*_rest(values, limits), *standing_times(
        _instant(values.get("stood_at")),
        {1: _instant(values.get("one_at")), 3: _instant(values.get("three_at"))},
        limits.standing,
    ))  # fmt: skip
    if judged.outcome == "repeat_supine":
        return CheckResult("standing_test", "undecided", said, (*judged.reasons, *how), repeat=True)
    if judged.outcome == "undecided" or how:
        return CheckResult("standing_test", "undecided", said, (*judged.reasons, *how))
    return CheckResult("standing_test", "pass", said)


def _rest(values: Mapping[str, Any], limits: Limits) -> tuple[str, ...]:
    rested, asked = _number(values.get("rest_seconds")), limits.standing.rest_seconds
    if rested is None:
        return ("How long the person rested before standing up is not known.",)
    if rested < asked:
        return (
            f"The person rested {shown(rested)} s before standing up; {asked} s are asked for.",
        )
    return ()


def _pressure(values: Mapping[str, Any], name: str) -> Pressure | None:
    systolic = _number(values.get(f"{name}_systolic"))
    diastolic = _number(values.get(f"{name}_diastolic"))
    return None if systolic is None or diastolic is None else Pressure(systolic, diastolic)


def _number(value: Any) -> float | None:
    known = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if known else None


def _instant(value: Any) -> datetime | None:
    """Return the instant in a text; None when it is none or has no time zone."""
    try:
        at = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return None
    return at if at.utcoffset() is not None else None


_JUDGES = {
    "breath_alcohol": _alcohol,
    "last_meal": _meal,
    "pregnancy_test": _pregnancy,
    "ecg": _ecg,
    "standing_test": _standing,
}
