"""Where an answer comes from, in words: only what differs from the rest of the page is said."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from screening.rules.provenance import Origin, Source
from screening.rules.rows import QuestionRow

_SAID = {"yes": "Yes", "no": "No", "not_sure": "Not sure"}


@dataclass(frozen=True, slots=True)
class OriginNote:
    """One line below an answer; with `kind` its word is a state."""

    kind: str
    word: str
    text: str
    at: datetime | None = None


def value_words(row: QuestionRow, value: Any) -> str:
    """Return an answer in words; "" for none."""
    if isinstance(value, float | int):
        return f"{value:.10g} {row.unit}"
    return _SAID.get(value or "", value or "")


def mostly_own(origins: Mapping[str, Origin]) -> bool:
    """Whether most answers were written by the volunteer alone."""
    return 2 * sum(origin.now.own for origin in origins.values()) > len(origins)


def origin_notes(row: QuestionRow, origin: Origin | None, alone: bool) -> tuple[OriginNote, ...]:
    """Return what a reader should know of an answer's source, where most are the volunteer's `alone` or not."""
    if origin is None:
        return ()
    now = origin.now
    notes = []
    if origin.staff_changed:
        notes.append(OriginNote("warn", "changed by staff", _by(now), now.at))
    elif now.own and not alone:
        notes.append(OriginNote("info", "by the volunteer alone", "", now.at))
    elif alone and not now.own:
        notes.append(OriginNote("info", "entered by staff", _by(now), now.at))
    notes += [_before(row, source) for source in origin.before]
    return tuple(notes)


def _by(source: Source) -> str:
    who = source.who or "the house"
    return f"{who}: {source.reason}" if source.reason else who


def _before(row: QuestionRow, source: Source) -> OriginNote:
    words = value_words(row, source.value) or "not answered"
    text = f"“{words}: {source.detail}”" if source.detail else f"“{words}”"
    if source.before_sending:
        return OriginNote("warn", "answer changed before sending", f"It was {text} first.", None)
    who = (
        "written by the volunteer alone"
        if source.own
        else f"entered by {source.who or 'the house'}"
    )
    return OriginNote("", "Before:", f"{text}, {who}", source.at)
