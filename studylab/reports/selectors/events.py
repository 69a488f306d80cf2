"""Adverse events as CSV, and everything one event's page shows."""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from studylab.participants.models import AdverseEvent, DosingPause, EventEntry
from studylab.participants.rules.events import CRITERIA, OUTCOMES, RELATIONS
from studylab.participants.selectors.events import entries_of, suspected
from studylab.participants.selectors.owed import reports_of_event
from studylab.participants.services.event_close import closing_void, open_ends
from studylab.spreadsheets import csv_line
from studylab.studies.selectors import current_protocol

# One row is one event as its newest entry says; the first column is the key.
COLUMNS = (
    "event", "volunteer", "plain term", "what happened", "began (UTC)", "began is known to", "ended (UTC)",
    "ended is known to", "heard of (UTC)", "recorded (UTC)", "grade", "serious by", "after a dose", "expected",
    "related", "sponsor's view", "what was done", "outcome", "taken to care (UTC)", "entries", "state", "entered in error",
)  # fmt: skip


def events_csv(entries: Iterable[EventEntry]) -> Iterator[str]:
    """Yield the events as CSV text, row by row; blinded, with codes and never a name."""
    yield csv_line(COLUMNS)
    for one in entries:
        event = one.event
        yield csv_line((
            f"{event.participant.code}/{event.number}", event.participant.code, one.term, one.what, _at(one.started_at),
            one.started_known, _at(one.ended_at), one.ended_known, _at(event.aware_at), _at(event.recorded_at), one.grade,
            "; ".join(CRITERIA[key] for key in one.criteria), _yes(one.after_dose), _yes(one.expected),
            RELATIONS.get(one.relation, "not judged"), RELATIONS.get(one.sponsor_relation, ""), one.action,
            OUTCOMES[one.outcome], _at(one.care_at), getattr(one, "written", ""), event.get_state_display(),
            _yes(one.in_error),
        ))  # fmt: skip


def _at(at: datetime | None) -> str:
    return at.isoformat() if at else ""


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def event_page(event: AdverseEvent, at: datetime) -> dict[str, Any]:
    """Return the context of an event's page."""
    entries = entries_of(event)
    newest = entries[-1]
    plan = current_protocol(event.study).plan.safety
    return {
        "event": event,
        "entry": newest,
        "entries": list(reversed(entries)),
        "unread": not newest.readings.all(),
        "due": reports_of_event(event, entries, plan, at),
        "suspected": suspected(newest),
        "statuses": list(event.statuses.select_related("recorded_by").order_by("-obtained_at", "-id")),
        "in_care": newest.care_at is not None and newest.after_dose,
        "told": list(event.told.select_related("recorded_by", "signature").order_by("-id")),
        "news": list(event.news.select_related("signature").order_by("-version")),
        "news_needed": newest.after_dose and (newest.serious or newest.care_at is not None),
        "pauses": list(DosingPause.objects.filter(study=event.study, marks__contains=[str(event.uid)])),
        "open_ends": open_ends(event, entries) if event.state == AdverseEvent.State.OPEN else [],
        "void": closing_void(event, entries),
    }  # fmt: skip
