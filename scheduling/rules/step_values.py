"""What may be recorded at a step, by the step's kind. Bad input is named with its field and the fix.

Values are small dictionaries: identity {"identifiers": [...], "document": ...}; tick and read_aloud
{"done": true}; choice, number, text and label {"value": ...}; timer {"started_at": ISO text with offset}.
Questions, vitals, dose and the leave check are recorded on their own pages and refused here.
"""

import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from scheduling.rules.elapsed import add_elapsed
from studylab.studies.rules.protocol import Step, StepKind

# Two of these say who is in the room (common practice in care: never by one alone, never by room or chair).
IDENTIFIERS = ("name", "birth date", "address", "phone number", "photograph on the document")
IDENTIFIERS_NEEDED = 2
DOCUMENTS = ("passport", "identity card", "driving licence", "another document with a photograph")
LONGEST_TEXT = 2000
LONGEST_LABEL = 60
ELSEWHERE: dict[StepKind, str] = {
    "questions": "Today's questions are answered on their own page.",
    "vitals": "Readings are entered on their own page, one by one.",
    "dose": "A dose is recorded on the dose page, by two people.",
    "leave": "Leaving is judged by the leave check.",
}
_LONG_NUMBER = re.compile(r"(?:\d[\s.-]?){5,}")

Raw = Mapping[str, Any]


class ValueProblem(ValueError):
    """A value that cannot be recorded: `field` is the key of the value, `message` a sentence with the fix."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


def clean_value(step: Step, raw: Raw) -> dict[str, Any]:
    """Return the value as it is kept, only the keys of the step's kind; ValueProblem when it is none."""
    if not isinstance(raw, Mapping):
        raise ValueProblem("value", "Nothing was entered for this step.")
    if step.kind in ELSEWHERE:
        raise ValueProblem("value", ELSEWHERE[step.kind])
    return _CLEANERS[step.kind](step, raw)


def said_value(step: Step, value: Raw) -> str:
    """Return a kept value in words: "62 cm", "complete", "done", "name and birth date, passport"."""
    if "identifiers" in value:
        return f"{' and '.join(value['identifiers'])}, {value['document']}"
    if "started_at" in value:
        return "started"
    if "value" not in value:
        return "done" if value.get("done") else ""
    kept = value["value"]
    if isinstance(kept, int | float):
        return f"{kept:g} {step.unit}".strip()
    return str(kept)


def timer_end(step: Step, value: Raw) -> datetime | None:
    """Return when, in UTC, a started timer runs out; None for every other step."""
    if step.kind != "timer" or "started_at" not in value:
        return None
    started = datetime.fromisoformat(value["started_at"])
    return add_elapsed(started, timedelta(minutes=step.minutes or 0))


def _identity(_step: Step, raw: Raw) -> dict[str, Any]:
    given = raw.get("identifiers")
    if not isinstance(given, list | tuple):
        given = []
    unknown = [str(item) for item in given if item not in IDENTIFIERS]
    if unknown:
        raise ValueProblem(
            "identifiers", f"“{unknown[0]}” is no identifier: use {', '.join(IDENTIFIERS)}."
        )
    kept = [item for item in IDENTIFIERS if item in given]
    if len(kept) < IDENTIFIERS_NEEDED:
        raise ValueProblem("identifiers", "Check at least two identifiers before anything else.")
    document = _text(raw.get("document"))
    if not document:
        raise ValueProblem("document", "Say which document was seen.")
    if _LONG_NUMBER.search(document):
        raise ValueProblem("document", "Name the kind of document only, never its number.")
    return {"identifiers": kept, "document": document[:LONGEST_LABEL]}


def _done(_step: Step, raw: Raw) -> dict[str, Any]:
    if raw.get("done") is not True:
        raise ValueProblem("done", "Tick the step when it is done, or skip it with a reason.")
    return {"done": True}


def _choice(step: Step, raw: Raw) -> dict[str, Any]:
    chosen = raw.get("value")
    if chosen not in step.options:
        raise ValueProblem("value", f"Choose one of: {', '.join(step.options)}.")
    return {"value": chosen}


def _number(step: Step, raw: Raw) -> dict[str, Any]:
    unit = f" {step.unit}" if step.unit else ""
    value = _as_float(raw.get("value"))
    if value is None:
        raise ValueProblem("value", f"Enter a number{unit and ' in' + unit}.")
    low = -math.inf if step.minimum is None else step.minimum
    high = math.inf if step.maximum is None else step.maximum
    if not low <= value <= high:
        bounds = [
            f"{word} {bound:g}{unit}"
            for word, bound in (("at least", step.minimum), ("at most", step.maximum))
            if bound is not None
        ]
        raise ValueProblem("value", f"{value:g}{unit} cannot be right: {' and '.join(bounds)}.")
    return {"value": value}


def _as_float(given: object) -> float | None:
    """Return a finite number; a decimal comma is read, since that is what many keyboards give."""
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        return None
    try:
        value = float(given.strip().replace(",", ".")) if isinstance(given, str) else float(given)
    except (ValueError, OverflowError):
        return None
    return value if math.isfinite(value) else None


def _free_text(_step: Step, raw: Raw) -> dict[str, Any]:
    text = str(raw.get("value") or "").strip()
    if not text:
        raise ValueProblem("value", "Write something, or leave the step out.")
    if len(text) > LONGEST_TEXT:
        raise ValueProblem("value", f"At most {LONGEST_TEXT} characters; this is {len(text)}.")
    return {"value": text}


def _label(_step: Step, raw: Raw) -> dict[str, Any]:
    text = _text(raw.get("value"))
    if not text:
        raise ValueProblem("value", "Scan the label, or type what is printed on it.")
    if len(text) > LONGEST_LABEL:
        raise ValueProblem(
            "value", f"A label has at most {LONGEST_LABEL} characters. Scan it again."
        )
    return {"value": text}


def _timer(_step: Step, raw: Raw) -> dict[str, Any]:
    try:
        started = datetime.fromisoformat(str(raw.get("started_at") or ""))
    except ValueError:
        started = None
    if started is None or started.utcoffset() is None:
        raise ValueProblem("started_at", "When the timer was started is not known. Start it again.")
    return {"started_at": started.astimezone(UTC).isoformat()}


def _text(given: object) -> str:
    """Return text on one line, without doubled spaces; "" for anything that is no text."""
    return " ".join(given.split()) if isinstance(given, str) else ""


_CLEANERS: dict[str, Callable[[Step, Raw], dict[str, Any]]] = {
    "identity": _identity,
    "tick": _done,
    "read_aloud": _done,
    "choice": _choice,
    "number": _number,
    "text": _free_text,
    "label": _label,
    "timer": _timer,
}
