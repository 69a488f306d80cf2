"""What changed from one set of answers to the next, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from screening.models import AnswerSet
from screening.rules.rows import QuestionRow

NOTHING = "not answered"
_WORDS = {"yes": "yes", "no": "no", "not_sure": "not sure"}


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between two sets. `matters` when an answer that counts was taken back."""

    what: str
    before: str
    after: str
    matters: bool = False


def changes(earlier: AnswerSet, later: AnswerSet, rows: Sequence[QuestionRow]) -> list[Change]:
    """Return every difference between two sets of one gate, in the order of the questions."""
    found = []
    for row in rows:
        before, after = _words(row, earlier), _words(row, later)
        if before != after:
            was = (earlier.answers.get(row.id) or {}).get("value")
            now = (later.answers.get(row.id) or {}).get("value")
            taken_back = bool(row.quiet) and now == row.quiet and was not in (None, row.quiet)
            found.append(Change(row.text, before, after, taken_back))
    listed, now_listed = _medicines(earlier), _medicines(later)
    if listed != now_listed:
        found.append(Change("Medicines", listed, now_listed))
    for name, label, unit in (("height_cm", "Height", "cm"), ("weight_kg", "Weight", "kg")):
        first, second = getattr(earlier, name), getattr(later, name)
        if first != second:
            found.append(Change(label, _amount(first, unit), _amount(second, unit)))
    return found


def _amount(value: float | None, unit: str) -> str:
    return NOTHING if value is None else f"{value:.10g} {unit}"


def _words(row: QuestionRow, answer_set: AnswerSet) -> str:
    item: dict[str, Any] = answer_set.answers.get(row.id) or {}
    value = item.get("value")
    if value is None:
        return NOTHING
    text = (
        f"{value:.10g} {row.unit}" if isinstance(value, float | int) else _WORDS.get(value, value)
    )
    return f"{text}: {item['detail']}" if item.get("detail") else text


def _medicines(answer_set: AnswerSet) -> str:
    if answer_set.no_medicines:
        return "takes none"
    names = [
        ", ".join(
            part for part in (item["name"], item.get("dose", ""), item.get("route", "")) if part
        )
        for item in answer_set.medicines
    ]
    return "; ".join(names) or NOTHING
