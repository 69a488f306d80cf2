"""One cell of an export: written so that every program reads it alike, and read back as it was."""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from studylab.spreadsheets import safe_cell

_RISK = "'"


def cell(value: Any) -> str:
    """Return a value as text: times in UTC (ISO 8601), spans in seconds, objects as JSON with sorted keys.

    Nothing is the empty cell. Text that a spreadsheet would take for a formula gets an apostrophe in front; a number
    never is one.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float | Decimal):
        return str(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        seconds = value.total_seconds()
        return str(int(seconds)) if seconds.is_integer() else str(seconds)
    if isinstance(value, list | dict | tuple):
        return safe_cell(json.dumps(value, ensure_ascii=False, sort_keys=True, default=str))
    lower = getattr(value, "lower", None)
    if lower is not None and not callable(lower):
        return f"{cell(value.lower)}/{cell(value.upper)}"
    return safe_cell(value)


def value_of(text: str, kind: str) -> Any:
    """Return what a cell of the field kind `kind` (Django's name) holds; the empty cell is None, of text "".

    ValueError for what cannot be read. A time span is returned as its two ends.
    """
    if kind in ("CharField", "TextField", "SlugField"):
        return plain(text)
    if text == "":
        return None
    reader = _READERS.get(kind)
    return reader(text) if reader else text


def _instant(text: str) -> datetime:
    at = datetime.fromisoformat(text.replace("Z", "+00:00"))
    if at.tzinfo is None:
        raise ValueError(f"{text} names no zone.")
    return at


def _yes_or_no(text: str) -> bool:
    return {"true": True, "false": False}[text]


def _span(text: str) -> tuple[datetime, datetime]:
    begin, end = text.split("/")
    return _instant(begin), _instant(end)


_READERS: dict[str, Callable[[str], Any]] = {
    "BooleanField": _yes_or_no, "DateTimeField": _instant, "DateField": date.fromisoformat, "TimeField": time.fromisoformat, "FloatField": float,
    "DecimalField": Decimal, "BigAutoField": int, "BigIntegerField": int, "IntegerField": int,
    "PositiveIntegerField": int, "PositiveSmallIntegerField": int, "DateTimeRangeField": _span,
    "DurationField": lambda text: timedelta(seconds=float(text)), "UUIDField": UUID,
    "JSONField": lambda text: json.loads(plain(text)), "ArrayField": lambda text: json.loads(plain(text)),
}  # fmt: skip


def plain(text: str) -> str:
    """Return the text of a cell without the apostrophe that kept it from being a formula."""
    rest = text[1:]
    return rest if text.startswith(_RISK) and safe_cell(rest) == text else text
