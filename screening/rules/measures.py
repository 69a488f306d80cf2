"""Judges what is measured: age, height and weight, and the decided set of readings."""

import math

from screening.rules.answers import is_number, missing_number, reached, shown, with_limit
from screening.rules.bands import PersonalLimits, judge, personal_bands
from screening.rules.inputs import Person
from screening.rules.outcome import MEASURER, VOLUNTEER, Finding, Missing, from_row
from screening.rules.rows import Disposition, Gate
from screening.rules.table import RuleTable
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import Limits

MEASURES = ("systolic", "diastolic", "pulse")
# What can be true of an adult at all (common practice); anything else is a slip of the pen.
POSSIBLE = {"age_years": (0.0, 120.0), "height_cm": (100.0, 250.0), "weight_kg": (25.0, 350.0)}


def judge_person(
    table: RuleTable, person: Person, limits: Limits
) -> tuple[list[Finding], list[Missing]]:
    """Return what age, body mass index and weight lead to (screening)."""
    age = _possible(person.age_years, "age_years")
    height = _possible(person.height_cm, "height_cm")
    weight = _possible(person.weight_kg, "weight_kg")
    bmi = weight / (height / 100) ** 2 if weight is not None and height is not None else None
    values = (
        # Ages are counted in completed years: 45 lasts until the 46th birthday.
        ("C-43", None if age is None else float(math.floor(age)), VOLUNTEER),
        ("C-44a", bmi, MEASURER),
        ("C-44b", weight, MEASURER),
    )
    findings, missing = [], []
    for rule_id, value, who in values:
        found = _judge_value(table, rule_id, value, who, limits)
        if isinstance(found, Finding):
            findings.append(found)
        elif found is not None:
            missing.append(found)
    return findings, missing


def _possible(value: float | None, name: str) -> float | None:
    low, high = POSSIBLE[name]
    return value if is_number(value) and low <= value <= high else None


def _judge_value(
    table: RuleTable, rule_id: str, value: float | None, who: str, limits: Limits
) -> Finding | Missing | None:
    row = table.row(rule_id)
    if value is None:
        return Missing(row.id, row.text, who, "Not known, or not a possible value.")
    disposition, limit, unset = reached(row.thresholds, limits.numbers, value)
    if unset:
        return missing_number(row, unset)
    if disposition is None:
        return None
    return from_row(row, disposition, f"{shown(value)} {row.unit}", reason=with_limit(row, limit))


def judge_vitals(
    table: RuleTable,
    vitals: VitalDecision | None,
    limits: Limits,
    gate: Gate,
    *,
    repeated: bool,
    personal: PersonalLimits | None,
) -> tuple[list[Finding], list[Missing]]:
    """Return what the three decision values lead to at a gate.

    `repeated` says that this set is not the first one outside the limits. `personal` replaces the lower pass
    limits on the dosing day; at screening it plays no part.
    """
    bands = limits.screening if gate == "screening" else limits.pre_dose
    if gate == "dosing_day":
        bands = personal_bands(bands, limits, personal)
    findings, missing = [], []
    for measure in MEASURES:
        value: float | None = None if vitals is None else getattr(vitals, measure)
        place = judge(getattr(bands, measure), value) if is_number(value) else None
        if place == "pass":
            continue
        row = table.row(f"V-{measure}")
        if place is None or value is None:
            why = "There is no complete set of readings."
            missing.append(Missing(row.id, row.text, MEASURER, why))
            continue
        disposition, advice = _consequence(gate, outside=place == "outside", repeated=repeated)
        findings.append(
            from_row(
                row,
                disposition,
                f"{shown(value)} {row.unit}",
                rule_id=f"{row.id}-{place}",
                reason=f"{row.reason} {advice}",
            )
        )
    return findings, missing


def _consequence(gate: Gate, *, outside: bool, repeated: bool) -> tuple[Disposition, str]:
    """Return disposition and advice for a value that does not pass."""
    if gate == "screening":
        if not outside:
            return "physician", "In the review band: ECG, and repeat on another day."
        if repeated:
            return "exclude", "Outside the limits."
        return "physician", "Outside the limits: repeat on another day before excluding."
    if outside and repeated:
        return "exclude", "Outside the limits of the dosing day."
    return "hold", "No dose now: rest 10 minutes and repeat the whole set once."
