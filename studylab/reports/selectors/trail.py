"""The audit trail, searched, in sentences, and as CSV."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice

from django.db.models import Q, QuerySet

from scheduling.rules.elapsed import local_day_bounds
from studylab.allocation.selectors.published import about_export
from studylab.audit.models import Event, Link
from studylab.audit.selectors import events_of_study, unsealed_events
from studylab.audit.sentences import SENTENCES
from studylab.reports.selectors.changes import changes_of, said
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study

_WORDS = {action.value: text for action, text in SENTENCES.items()}
COLUMNS = (
    "number", "at (UTC)", "who", "as", "did", "about", "volunteer", "reason", "details", "old and new values",
)  # fmt: skip
_CHUNK = 500


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to look for; whatever is empty leads to everything. Days are the study's and both included.

    `about` is a kind of record ("visit") or a part of what names one; times narrow the first and the last day.
    """

    code: str = ""
    who: str = ""
    action: str = ""
    about: str = ""
    first: date | None = None
    first_time: time | None = None
    last: date | None = None
    last_time: time | None = None


def found_events(study: Study, wanted: Wanted) -> QuerySet[Event]:
    """Return the study's events that fit, newest first."""
    events = events_of_study(study.pk)
    if wanted.code:
        events = events.filter(participant_code__iexact=wanted.code)
    if wanted.who:
        events = events.filter(actor_label__icontains=wanted.who)
    if wanted.action:
        events = events.filter(action=wanted.action)
    if wanted.about:
        kind = wanted.about.replace(" ", "_")
        events = events.filter(
            Q(subject_type__iexact=kind) | Q(subject_code__icontains=wanted.about)
        )
    if wanted.first:
        events = events.filter(at__gte=_edge(wanted.first, wanted.first_time, study, last=False))
    if wanted.last:
        events = events.filter(at__lt=_edge(wanted.last, wanted.last_time, study, last=True))
    return events


def _edge(day: date, clock_time: time | None, study: Study, *, last: bool) -> datetime:
    """Return where the period begins or ends: the edge of the day, or a minute of it, included."""
    if clock_time is None:
        return local_day_bounds(day, study.timezone)[1 if last else 0]
    at = datetime.combine(day, clock_time, study.zone)
    # On the night when an hour comes twice the period takes in both.
    return at.replace(fold=1) + timedelta(minutes=1) if last else at.replace(fold=0)


def sentence(event: Event) -> str:
    """Return what was done, in plain words."""
    return _WORDS.get(event.action, event.action)


def seal_state() -> tuple[int, Link | None]:
    """Return how many events are not chained yet, and the newest link."""
    return unsealed_events().count(), Link.objects.order_by("-id").first()


def csv_lines(study: Study, events: QuerySet[Event]) -> Iterator[str]:
    """Yield the trail as CSV text, row by row: one row is one event, its number is the key."""
    yield about_export(study, row="one event of the record", key="number")
    yield csv_line(COLUMNS)
    rows = events.order_by("id").iterator(chunk_size=_CHUNK)
    while some := list(islice(rows, _CHUNK)):
        changes = changes_of(some)
        for event in some:
            yield csv_line((
                event.pk, event.at.isoformat(), event.actor_label, event.role,
                sentence(event), f"{event.subject_type} {event.subject_code}", event.participant_code,
                event.reason, json.dumps(event.data, ensure_ascii=False, sort_keys=True) if event.data else "",
                said(changes.get(event.pk, ())),
            ))  # fmt: skip
