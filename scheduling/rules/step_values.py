"""What may be recorded at a step, by the step's kind. Bad input is named with its field and the fix.

Values are small dictionaries: identity {"identifiers": [...], "document": ...}; tick and read_aloud
{"done": true}; choice, number, text and label {"value": ...}; timer {"started_at": ISO text with offset}; work_up
one level at a time, {"rung": 1, "level": ..., "rating": ...}, kept as `scheduling.rules.work_up` says.
Questions, vitals, dose and the leave check are recorded on their own pages and refused here.
"""

import math
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from scheduling.rules.elapsed import add_elapsed
from scheduling.rules.value_problem import ValueProblem, as_float
from scheduling.rules.work_up import read_rung, said_ladder
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
    if "levels" in value:
        return said_ladder(step, value)
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
    value = as_float(raw.get("value"))
    if value is None:
        raise ValueProblem("value", f"Enter a number{step.unit and f' ({step.unit})'}.")
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


def is_low(step: Step, value: object) -> bool:
    """Whether a recorded number lies below the one at which the study asks for a physician; that number itself does not."""
    number = as_float(value)
    return step.call_below is not None and number is not None and number < step.call_below


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
    "work_up": read_rung,
}
