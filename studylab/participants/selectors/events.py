"""Reading adverse events: the newest entry of each, and what it means for clocks and pauses."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from django.http import Http404

from studylab.audit.history import STANDS
from studylab.participants.models import AdverseEvent, EventEntry, Hold, Participant
from studylab.participants.rules.events import is_suspected
from studylab.participants.rules.report_clocks import Knowledge
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSearch:
    """What a list of events is narrowed to; "" and None narrow nothing."""

    code: str = ""
    term: str = ""
    state: str = ""
    grade_from: int | None = None
    serious: bool = False
    unexpected: bool = False
    since: datetime | None = None
    until: datetime | None = None


def access_event(study: Study, uid: UUID) -> AdverseEvent:
    """Return an event of this study, or raise Http404."""
    found = (
        AdverseEvent.objects.select_related("participant", "recorded_by", "closing", "hold")
        .filter(study=study, uid=uid)
        .first()
    )
    if found is None:
        raise Http404("There is no such event in this study.")
    return found


def newest_entries(study: Study) -> QuerySet[EventEntry]:
    """Return the newest entry of every event, the latest event first."""
    related = ("event__participant", "event__hold", "recorded_by", "judged_by")
    return (
        EventEntry.objects.filter(STANDS, event__study=study)
        .select_related(*related)
        .order_by("-event__recorded_at", "-event_id")
    )


def newest_entry(event: AdverseEvent) -> EventEntry:
    """Return the newest entry of one event."""
    related = ("event__participant", "event__study", "recorded_by", "judged_by")
    return EventEntry.objects.select_related(*related).get(STANDS, event=event)


def entries_of(event: AdverseEvent) -> list[EventEntry]:
    """Return all entries of an event, the first one first, with who read them."""
    found = EventEntry.objects.filter(event=event).select_related("recorded_by", "judged_by")
    return list(found.prefetch_related("readings__by").order_by("id"))


def found_events(study: Study, search: EventSearch) -> QuerySet[EventEntry]:
    """Return the newest entries of the events that a search asks for."""
    found = newest_entries(study)
    if search.code:
        found = found.filter(event__participant__code=search.code)
    if search.term:
        found = found.filter(term__iexact=search.term)
    if search.state:
        found = found.filter(event__state=search.state)
    if search.grade_from:
        found = found.filter(grade__gte=search.grade_from)
    if search.serious:
        found = found.filter(criteria__len__gt=0)
    if search.unexpected:
        found = found.filter(expected=False)
    if search.since:
        found = found.filter(event__aware_at__gte=search.since)
    if search.until:
        found = found.filter(event__aware_at__lt=search.until)
    return found


def events_about(participant: Participant) -> QuerySet[EventEntry]:
    """Return the newest entries of one person's events."""
    return newest_entries(participant.study).filter(event__participant=participant)


def events_with_everything(study: Study) -> list[AdverseEvent]:
    """Return every event with its entries, reports, statuses and what was told, for clocks and overviews."""
    ordered = Prefetch("entries", EventEntry.objects.order_by("id"))
    found = AdverseEvent.objects.filter(study=study).select_related("participant")
    return list(found.prefetch_related(ordered, "reports", "told", "statuses").order_by("id"))


def knowledge_of(entries: Iterable[EventEntry]) -> list[Knowledge]:
    """Return what was known from when on, for the reporting clocks. What was entered in error applies to nothing."""
    return [
        Knowledge(
            aware_at=entry.aware_at,
            criteria=frozenset() if entry.in_error else frozenset(entry.criteria),
            expected=entry.expected,
            after_dose=entry.after_dose,
            always=entry.always_report and not entry.in_error,
        )
        for entry in entries
    ]


def suspected(entry: EventEntry) -> bool:
    """Whether the drug is not ruled out as the cause."""
    return is_suspected(entry.relation, entry.sponsor_relation)


def symptoms_to_write_down(study: Study, dosed: dict[int, datetime]) -> list[Hold]:
    """Return holds for symptoms after a dose about which no event is written yet, the oldest first."""
    holds = Hold.objects.filter(
        participant__study=study, kind=Hold.Kind.SYMPTOM, events=None
    ).select_related("participant")
    return [
        hold
        for hold in holds.order_by("opened_at", "id")
        if hold.participant_id in dosed and hold.opened_at >= dosed[hold.participant_id]
    ]
