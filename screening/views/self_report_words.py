"""What a volunteer wrote, in words, for the last look before sending."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils import formats
from django.utils.translation import gettext as _

from screening.forms.self_report_medicines import ROUTES
from screening.rules.rows import QuestionRow
from screening.rules.self_report import (
    HEIGHT,
    MEDICINES,
    WEIGHT,
    Content,
    Screen,
    is_asked,
    open_keys,
)
from screening.rules.words import Words
from studylab.said_times import said_day


@dataclass(frozen=True, slots=True)
class Line:
    """One question with its answer in words; "" while it is open."""

    text: str
    answer: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One screen as it is looked over: where to change it, its lines, how many are open."""

    number: int
    title: str
    lines: tuple[Line, ...]
    open: int


def reviewed(screen: Screen, written: Mapping[str, Content], words: Words) -> Part:
    """Return a screen as it is looked over before sending."""
    still_open = len(open_keys(screen, written))
    if screen.topic is not None:
        lines = [
            _line(row, written.get(row.id) or {}, words)
            for row in screen.rows
            if is_asked(row, written)
        ]
        return Part(screen.number, words.say(screen.topic.title), tuple(lines), still_open)
    if screen.kind == "medicines":
        return Part(
            screen.number, _("Medicines"), _medicines(written.get(MEDICINES) or {}), still_open
        )
    lines = [
        Line(_("Height"), _amount(written.get(HEIGHT), "cm")),
        Line(_("Weight"), _amount(written.get(WEIGHT), "kg")),
    ]
    return Part(screen.number, _("Height and weight"), tuple(lines), still_open)


def _line(row: QuestionRow, content: Content, words: Words) -> Line:
    value = content.get("value")
    if row.kind == "yes_no" or value in (None, "", "not_sure"):
        answer = _said(value)
    elif row.kind == "date":
        answer = said_day(date.fromisoformat(value))
    else:
        answer = f"{formats.number_format(_plain(value))} {words.say(row.unit)}"
    return Line(words.say(row.text), answer, content.get("detail", ""))


def _said(value: Any) -> str:
    return {"yes": _("Yes"), "no": _("No"), "not_sure": _("Not sure")}.get(value or "", "")


def _plain(value: float) -> float | int:
    return int(value) if float(value).is_integer() else value


def _amount(content: Content | None, unit: str) -> str:
    value = (content or {}).get("value")
    if value in (None, "", "not_sure"):
        return _said(value)
    return f"{formats.number_format(_plain(value))} {unit}"


def _medicines(content: Content) -> tuple[Line, ...]:
    if content.get("none"):
        return (Line(_("I take none of these, not even now and then"), _("Yes")),)
    return tuple(_medicine(item) for item in content.get("list") or []) or (
        Line(_("What you take"), ""),
    )


def _medicine(item: Mapping[str, Any]) -> Line:
    day = item.get("taken_on")
    parts = [
        item.get("dose") or "",
        str(dict(ROUTES)[item["route"]]) if item.get("route") else "",
        _("last taken: %(day)s")
        % {"day": said_day(date.fromisoformat(day)) if day else _("not sure")},
        _("prescribed: %(answer)s") % {"answer": _said(item.get("prescribed")).lower()},
    ]  # fmt: skip
    return Line(item["name"], "; ".join(part for part in parts if part))
