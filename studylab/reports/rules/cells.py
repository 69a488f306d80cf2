"""One cell of an export: written so that every program reads it alike, and read back as it was."""

import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

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
    if isinstance(value, date):
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


def plain(text: str) -> str:
    """Return the text of a cell without the apostrophe that kept it from being a formula."""
    rest = text[1:]
    return rest if text.startswith(_RISK) and safe_cell(rest) == text else text
