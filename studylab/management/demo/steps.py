"""Plausible values for the steps, questions and readings of invented volunteers."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from random import Random
from typing import Any

from screening.rules.rows import QuestionRow
from screening.rules.vitals import Reading
from studylab.studies.rules.protocol import Step

_HEALTHY: dict[str, Any] = {"C-38a": 3, "C-22a": 2, "C-49a": "yes", "C-49b": "yes", "C-50": "yes"}


def healthy_answers(
    rows: tuple[QuestionRow, ...],
    changed: Mapping[str, Any],
    left_out: frozenset[str] = frozenset(),
) -> dict[str, dict[str, Any]]:
    """Return answers of somebody with nothing to report, apart from `changed` and what is left out."""
    answers = {
        row.id: {"value": _HEALTHY.get(row.id, row.quiet or "no"), "detail": ""}
        for row in rows
        if not row.asked_if and row.id not in left_out
    }
    for key, value in changed.items():
        answers[key] = value if isinstance(value, dict) else {"value": value, "detail": ""}
    return answers


def readings(
    at: datetime, systolic: int, diastolic: int, pulse: int, dice: Random
) -> list[Reading]:
    """Return three readings 75 seconds apart around the given values; the first is a little higher."""
    made = []
    for number in range(3):
        lift = 5 if number == 0 else 0
        made.append(
            Reading(
                systolic=systolic + lift + dice.randint(-2, 2),
                diastolic=diastolic + dice.randint(-2, 2),
                pulse=pulse + lift + dice.randint(-1, 1),
                at=at + timedelta(seconds=75 * number),
            )
        )
    return made


def value_for(step: Step, at: datetime, dice: Random) -> dict[str, Any]:
    """Return a plausible value of a step that is recorded on the run sheet itself."""
    match step.kind:
        case "identity":
            return {"identifiers": ["name", "birth date"], "document": "driving licence"}
        case "tick" | "read_aloud":
            return {"done": True}
        case "choice":
            return {"value": step.options[0] if step.key != "guess" else dice.choice(step.options)}
        case "number":
            return {"value": _number(step, dice)}
        case "timer":
            return {"started_at": at.isoformat()}
        case "label":
            return {"value": f"SAMPLE-{dice.choice('ABCDEF')}"}
        case _:
            return {"value": "Nothing unusual."}


def _number(step: Step, dice: Random) -> float:
    if step.key.startswith("pulse_"):
        return float(dice.randint(58, 68))
    if step.carry:
        return float(dice.randint(55, 70))
    low, high = step.minimum or 0, step.maximum or 10
    return float(dice.randint(round(low + (high - low) * 0.4), round(low + (high - low) * 0.9)))
