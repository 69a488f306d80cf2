"""Judges one answer by its row of the table."""

import math
import operator
from collections.abc import Mapping
from datetime import date
from typing import TypeGuard

from screening.rules.inputs import Answer
from screening.rules.outcome import LEAD, VOLUNTEER, Finding, Missing, from_row
from screening.rules.rows import WEIGHT, Disposition, QuestionRow, Threshold

_WORDS = {"below": "below {}", "at_least": "{} or more", "above": "above {}"}
_REACHED = {"below": operator.lt, "at_least": operator.ge, "above": operator.gt}


def shown(value: float) -> str:
    """Return a number as people write it, without rounding what was measured."""
    return f"{value:.10g}"


def is_number(value: object) -> TypeGuard[float]:
    """Whether `value` is a finite number; True and False are none."""
    return type(value) in (float, int) and math.isfinite(value)  # type: ignore[arg-type]


def reached(
    thresholds: tuple[Threshold, ...], numbers: Mapping[str, float], value: float
) -> tuple[Disposition | None, str, str]:
    """Return the strictest disposition that `value` reaches, the limit in words, and a number that is not set.

    The third part is "" when every number is there; otherwise the value cannot be judged.
    """
    strictest: Threshold | None = None
    for test in thresholds:
        limit = numbers.get(test.number)
        if not is_number(limit):
            return None, "", test.number
        if _REACHED[test.comparison](value, limit) and (
            strictest is None or WEIGHT[test.disposition] > WEIGHT[strictest.disposition]
        ):
            strictest = test
    if strictest is None:
        return None, "", ""
    text = _WORDS[strictest.comparison].format(shown(numbers[strictest.number]))
    return strictest.disposition, text, ""


def missing_number(row: QuestionRow, key: str) -> Missing:
    """Return the gap left by a number that the protocol does not set."""
    return Missing(row.id, row.text, LEAD, f"The protocol does not set the number {key}.")


def with_limit(row: QuestionRow, limit: str) -> str:
    """Return the row's reason with the limit of the study named."""
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.reason} Limit of this study: {limit}{unit}."


def judge_answer(
    row: QuestionRow, answer: Answer, numbers: Mapping[str, float], today: date
) -> Finding | Missing | None:
    """Return what an answer other than the row's quiet one leads to; None when nothing.

    `today` is the local day of the assessment, for answers that are dates. An answer that cannot be used is
    missing, never a pass.
    """
    if answer.value == "not_sure":
        return from_row(row, row.not_sure, _said("not sure", answer))
    if row.kind == "yes_no":
        if answer.value == row.flag_on and row.disposition is not None:
            return from_row(row, row.disposition, _said(str(answer.value), answer))
        if answer.value == row.quiet:
            return None
        return _unusable(row, 'The answer is none of "yes", "no" and "not sure".')
    value = _days_since(answer.value, today) if row.kind == "date" else answer.value
    if not is_number(value) or not row.minimum <= value <= row.maximum:
        bounds = f"between {shown(row.minimum)} and {shown(row.maximum)} {row.unit}"
        return _unusable(
            row, f"The answer is not {'a day' if row.kind == 'date' else 'a number'} {bounds}."
        )
    amount = float(value)
    disposition, limit, unset = reached(row.thresholds, numbers, amount)
    if unset:
        return missing_number(row, unset)
    if disposition is None:
        return None
    said = f"{shown(amount)} {row.unit}"
    if row.kind == "date":
        said = f"{answer.value} ({said})"
    return from_row(row, disposition, _said(said, answer), reason=with_limit(row, limit))


def unanswered(row: QuestionRow) -> Missing:
    """Return the gap left by a question that nobody answered."""
    return Missing(row.id, row.text, VOLUNTEER, "The question is not answered.")


def _unusable(row: QuestionRow, why: str) -> Missing:
    return Missing(row.id, row.text, VOLUNTEER, why)


def _said(text: str, answer: Answer) -> str:
    return f"{text}: {answer.detail.strip()}" if answer.detail.strip() else text


def _days_since(value: object, today: date) -> float | None:
    """Return the days between an ISO day and today, negative for the future; None when it is no day."""
    if not isinstance(value, str):
        return None
    try:
        return float((today - date.fromisoformat(value)).days)
    except ValueError:
        return None
