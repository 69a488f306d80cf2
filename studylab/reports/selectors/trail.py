"""The audit trail, searched, in sentences, and as CSV."""

import json
from collections.abc import Iterator
from datetime import date

from django.db.models import QuerySet

from scheduling.rules.elapsed import local_day_bounds
from studylab.allocation.selectors.published import about_export
from studylab.audit.actions import SENTENCES
from studylab.audit.models import Event, Link
from studylab.audit.selectors import events_of_study
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study

_WORDS = {action.value: text for action, text in SENTENCES.items()}
COLUMNS = ("number", "at (UTC)", "who", "as", "did", "about", "volunteer", "reason", "details")


def found_events(
    study: Study, *, code: str, who: str, action: str, first: date | None, last: date | None
) -> QuerySet[Event]:
    """Return the study's events that fit, newest first; days are the study's and both included."""
    events = events_of_study(study.pk)
    if code:
        events = events.filter(participant_code__iexact=code)
    if who:
        events = events.filter(actor_label__icontains=who)
    if action:
        events = events.filter(action=action)
    if first:
        events = events.filter(at__gte=local_day_bounds(first, study.timezone)[0])
    if last:
        events = events.filter(at__lt=local_day_bounds(last, study.timezone)[1])
    return events


def sentence(event: Event) -> str:
    """Return what was done, in plain words."""
    return _WORDS.get(event.action, event.action)


def seal_state() -> tuple[int, Link | None]:
    """Return how many events are not chained yet, and the newest link."""
    return Event.objects.filter(link=None).count(), Link.objects.order_by("-id").first()


def csv_lines(study: Study, events: QuerySet[Event]) -> Iterator[str]:
    """Yield the trail as CSV text, row by row: one row is one event, its number is the key."""
    yield about_export(study, row="one event of the record", key="number")
    yield csv_line(COLUMNS)
    for event in events.order_by("id").iterator(chunk_size=1000):
        yield csv_line((
            event.pk, event.at.isoformat(), event.actor_label, event.role,
            sentence(event), f"{event.subject_type} {event.subject_code}", event.participant_code,
            event.reason, json.dumps(event.data, ensure_ascii=False, sort_keys=True) if event.data else "",
        ))  # fmt: skip
