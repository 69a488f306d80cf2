"""The questionnaire as the volunteer meets it: a fixed row of screens, and what is written on them.

The number and order of screens never depend on an answer, so that nothing about the way through it says what an
answer leads to. What is written is a list of entries, each one key at one moment; the newest of a key stands.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, Literal
from zoneinfo import ZoneInfo

from screening.rules.rows import QuestionRow
from screening.rules.table import RuleTable, Topic

MEDICINES = "medicines"
HEIGHT = "height_cm"
WEIGHT = "weight_kg"
NOT_SURE = "not_sure"

Content = Mapping[str, Any]  # {"value", "detail"}, for medicines {"none", "list"}


@dataclass(frozen=True, slots=True)
class Screen:
    """One screen, numbered from 1. A topic's screen has its questions, the others have none."""

    number: int
    kind: Literal["topic", "medicines", "body"]
    topic: Topic | None = None
    rows: tuple[QuestionRow, ...] = ()


def screens(table: RuleTable) -> tuple[Screen, ...]:
    """Return every screen in order: one per topic asked at screening, then medicines, height and weight."""
    topics = table.topics_asked("screening")
    found = [Screen(n, "topic", topic, rows) for n, (topic, rows) in enumerate(topics, start=1)]
    found.append(Screen(len(found) + 1, "medicines"))
    found.append(Screen(len(found) + 1, "body"))
    return tuple(found)


def is_asked(row: QuestionRow, written: Mapping[str, Content]) -> bool:
    """Whether a question that follows from another is asked: after "yes" or "not sure" there."""
    if not row.asked_if:
        return True
    return (written.get(row.asked_if) or {}).get("value") in ("yes", NOT_SURE)


def open_keys(screen: Screen, written: Mapping[str, Content]) -> tuple[str, ...]:
    """Return what is still open on a screen. "Not sure" counts as answered."""
    if screen.kind == "topic":
        keys: Iterable[str] = (row.id for row in screen.rows if is_asked(row, written))
        return tuple(key for key in keys if not _has_value(written.get(key)))
    if screen.kind == "body":
        return tuple(key for key in (HEIGHT, WEIGHT) if not _has_value(written.get(key)))
    content = written.get(MEDICINES) or {}
    return () if content.get("none") or content.get("list") else (MEDICINES,)


def _has_value(content: Content | None) -> bool:
    return content is not None and content.get("value") not in (None, "")


def first_open(all_screens: Sequence[Screen], seen: Mapping[int, bool]) -> int:
    """Return the number of the first screen that was not gone through yet; one past the last when all were."""
    for screen in all_screens:
        if not seen.get(screen.number):
            return screen.number
    return len(all_screens) + 1


def changed(before: Mapping[str, Content], now: Mapping[str, Content]) -> dict[str, Content]:
    """Return what of `now` differs from what stands; an answer that was never given does not count as taken
    away."""
    return {
        key: content
        for key, content in now.items()
        if dict(content) != dict(before.get(key) or _empty(key))
    }


def _empty(key: str) -> Content:
    return {"none": False, "list": []} if key == MEDICINES else {"value": None, "detail": ""}


def answers_of(rows: Sequence[QuestionRow], written: Mapping[str, Content]) -> dict[str, Content]:
    """Return the answers to send: those given to questions that are asked."""
    return {
        row.id: written[row.id]
        for row in rows
        if is_asked(row, written) and _has_value(written.get(row.id))
    }


def given_before(entries: Iterable[tuple[str, Content]]) -> dict[str, tuple[Any, ...]]:
    """Return for each question the answers that stood before the last one, oldest first, each once in a row."""
    values: dict[str, list[Any]] = {}
    for key, content in entries:
        value = content.get("value")
        told = values.setdefault(key, [])
        if value not in (None, "") and (not told or told[-1] != value):
            told.append(value)
    return {key: tuple(told[:-1]) for key, told in values.items() if len(told) > 1}


def recorded_medicines(content: Content, timezone: str, now: datetime) -> list[dict[str, Any]]:
    """Return the volunteer's list as it is recorded: {"name", "dose", "route", "last_taken", "prescribed"}.

    The volunteer names a day: it counts as late as that day allows, since what was taken later still acts
    longer. "Not sure" whether a doctor prescribed it counts as prescribed.
    """
    return [
        {
            "name": item["name"],
            "dose": item.get("dose", ""),
            "route": item.get("route", ""),
            "last_taken": _latest(item.get("taken_on"), timezone, now),
            "prescribed": item.get("prescribed") != "no",
        }
        for item in content.get("list") or []
    ]


def _latest(day: str | None, timezone: str, now: datetime) -> str | None:
    """Return the last instant of a local day, but never one later than `now`; None for a day not known."""
    if not day:
        return None
    local = datetime.combine(date.fromisoformat(day), time(23, 59), ZoneInfo(timezone))
    return min(local.astimezone(UTC), now.astimezone(UTC)).isoformat()
