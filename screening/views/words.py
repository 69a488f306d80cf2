"""Outcomes and verdicts as pages show them: kind of state (shape and colour) and words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from screening.models import AnswerSet
from screening.rules.provenance import Origin
from screening.rules.rows import QuestionRow
from screening.rules.table import RuleTable, Topic
from screening.views.origin_words import OriginNote, mostly_own, origin_notes, value_words
from studylab.http import next_url as next_url

OUTCOMES = {
    "clear": ("ok", "clear to sign"),
    "physician": ("warn", "physician decides"),
    "hold": ("wait", "on hold"),
    "exclude": ("stop", "excluded by the rules"),
    "cannot_decide": ("wait", "cannot decide"),
}
DISPOSITIONS = {
    "exclude": ("stop", "excludes"),
    "hold": ("wait", "holds"),
    "physician": ("warn", "physician decides"),
    "note": ("info", "note"),
}
VERDICTS = {
    "pass": ("ok", "inside the limits"),
    "physician": ("warn", "physician decides"),
    "repeat": ("wait", "repeat the whole set"),
    "hold": ("stop", "on hold: no dose now"),
    "exclude": ("stop", "outside the limits again"),
    "pause": ("warn", "pause: lie down, repeat in 5 minutes, call the physician"),
    "emergency": ("stop", "emergency: call the physician and the emergency number now"),
    "": ("wait", "cannot decide"),
}
PLACES = {
    "pass": ("ok", "inside"),
    "review": ("warn", "physician’s band"),
    "outside": ("stop", "outside"),
}
SIGN_OFFS = {
    "none": ("wait", "no decision yet"),
    "eligible": ("ok", "eligible"),
    "not_eligible": ("stop", "not eligible"),
    "needs_more": ("wait", "needs more"),
    "lapsed": ("wait", "too old"),
    "void": ("stop", "void"),
}
WAITING = {
    "first": "first decision",
    "changed": "something changed since the last decision",
    "brought": "what you asked for was brought",
    "lapsed": "the last decision is too old",
    "lapses": "the decision runs out before the dose",
    "rules_changed": "protocol or rules changed",
}
FINDING_CHANGES = {
    "new": ("warn", "new"),
    "gone": ("ok", "gone"),
    "stricter": ("warn", "weighs more"),
    "milder": ("info", "weighs less"),
    "reworded": ("info", "another value"),
}


@dataclass(frozen=True, slots=True)
class Said:
    """A question with its answer in words; "" while it is not answered."""

    row: QuestionRow
    answer: str
    detail: str
    quiet: bool
    notes: tuple[OriginNote, ...] = ()


def by_who(missing: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    """Group gaps by who can supply them, in the order in which they come."""
    found: dict[str, list[dict[str, Any]]] = {}
    for gap in missing:
        found.setdefault(gap["who"], []).append(gap)
    return list(found.items())


def said(
    row: QuestionRow, answer_set: AnswerSet | None, notes: tuple[OriginNote, ...] = ()
) -> Said:
    """Return what was answered to one question."""
    item = (answer_set.answers.get(row.id) if answer_set else None) or {}
    value = item.get("value")
    quiet = value == row.quiet or row.quiet == ""
    return Said(row, value_words(row, value), item.get("detail", ""), quiet, notes)


def said_by_topic(
    table: RuleTable,
    gate: Any,
    answer_set: AnswerSet | None,
    origins: Mapping[str, Origin] | None = None,
) -> list[tuple[Topic, list[Said]]]:
    """Return all questions of a gate by topic with their answers; with `origins`, where they come from."""
    known = origins or {}
    alone = mostly_own(known)
    return [
        (
            topic,
            [said(row, answer_set, origin_notes(row, known.get(row.id), alone)) for row in rows],
        )
        for topic, rows in table.topics_asked(gate)
    ]


def with_query(url: str, **values: str) -> str:
    """Return a local address with the values that are not empty."""
    kept = {key: value for key, value in values.items() if value}
    return f"{url}?{urlencode(kept)}" if kept else url
