"""How safety stands in the whole study, as the dose gate and the overviews ask."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Count, Prefetch, Q, QuerySet

from studylab.participants.doses import doses_of
from studylab.participants.models import (
    AdverseEvent,
    CareStatus,
    DosingPause,
    EventEntry,
    NewsAnswer,
    Participant,
    SafetyNews,
)
from studylab.participants.selectors.events import newest_entries, symptoms_to_write_down
from studylab.studies.models import Study
from studylab.studies.rules.safety import SafetyPlan


@dataclass(frozen=True, slots=True)
class InCare:
    """A pause over somebody in care, with the newest word of them."""

    pause: DosingPause
    newest: CareStatus | None


@dataclass(frozen=True, slots=True)
class News:
    """Something new for people with a dose to come: the newest text about it, None before one is signed."""

    entry: EventEntry
    text: SafetyNews | None
    answer: NewsAnswer | None = None


@dataclass(frozen=True, slots=True)
class Tally:
    """How many of the people dosed had a symptom since; whatever capsule it was."""

    term: str
    people: int
    dosed: int


@dataclass(frozen=True, slots=True)
class Unread:
    """An event after a dose that no clinician has opened; `old` since before today, `first` of the first people."""

    entry: EventEntry
    old: bool
    first: bool


def open_pauses(study: Study) -> QuerySet[DosingPause]:
    """Return the pauses that stand, the oldest first."""
    related = ("event__participant", "physician", "lead", "opened_by")
    found = DosingPause.objects.filter(study=study, lifted_at=None).select_related(*related)
    return found.prefetch_related("event__statuses").order_by("opened_at", "id")


def people_in_care(study: Study, pauses: list[DosingPause]) -> list[InCare]:
    """Return those of the pauses that are over somebody in care, each with the newest word."""
    return [
        InCare(pause, newest_status(pause.event, since=pause.opened_at))
        for pause in pauses
        if pause.kind == DosingPause.Kind.CARE and pause.event is not None
    ]


def newest_status(event: AdverseEvent, *, since: datetime | None = None) -> CareStatus | None:
    """Return the newest word of somebody in care by when it was obtained, of what was recorded `since` then.

    What was said before somebody was taken to care once more counts for nothing.
    """
    words = [one for one in event.statuses.all() if since is None or one.recorded_at >= since]
    return max(words, key=lambda one: (one.obtained_at, one.pk), default=None)


def _after_dose(study: Study) -> QuerySet[EventEntry]:
    return newest_entries(study).filter(after_dose=True, in_error=False)


def unread(study: Study, plan: SafetyPlan, at: datetime) -> list[Unread]:
    """Return what came after a dose and no clinician has opened, the oldest first."""
    first = set(list(doses_of(study))[: plan.first_people])
    today = at.astimezone(study.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    return [
        Unread(
            entry,
            old=entry.recorded_at < max(today, at - timedelta(days=1)),
            first=entry.event.participant_id in first and not entry.expected,
        )
        for entry in reversed(_after_dose(study).filter(readings=None))
    ]


def symptoms_not_written(study: Study, at: datetime) -> list[str]:
    """Return codes of people whose symptoms after the dose stand in an open hold but in no event yet."""
    holds = symptoms_to_write_down(study, doses_of(study))
    return [hold.participant.code for hold in holds if hold.released_at is None]


def tally(study: Study, dosed: int) -> list[Tally]:
    """Return the symptoms after dosing, the most frequent first: people, not events."""
    people = Count("event__participant", distinct=True)
    numbers = _after_dose(study).order_by().values_list("term").annotate(people=people)
    ranked = sorted(numbers, key=lambda row: (-row[1], row[0]))
    return [Tally(term, number, dosed) for term, number in ranked]


def new_information(study: Study) -> list[News]:
    """Return what people with a dose to come have to be told: serious events after a dose, and people in care.

    An event about which a clinician signed that nobody needs to be told is left out.
    """
    texts = Prefetch("event__news", SafetyNews.objects.select_related("signature").order_by("-version"))  # fmt: skip
    entries = (
        newest_entries(study)
        .filter(Q(criteria__len__gt=0) | Q(care_at__isnull=False), after_dose=True, in_error=False)
        .prefetch_related(texts)
    )
    found = []
    for entry in entries:
        text = next(iter(entry.event.news.all()), None)
        if text is None or text.needed:
            found.append(News(entry, text))
    return found


def news_for(participant: Participant) -> list[News]:
    """Return what this person has to be told before a dose, with what they chose."""
    rows = [
        row
        for row in new_information(participant.study)
        if row.entry.event.participant_id != participant.pk
    ]
    texts = [row.text.pk for row in rows if row.text]
    answers: dict[int, NewsAnswer] = {}
    for answer in NewsAnswer.objects.filter(participant=participant, news__in=texts).order_by("id"):
        answers[answer.news_id] = answer
    return [
        News(row.entry, row.text, answers.get(row.text.pk) if row.text else None) for row in rows
    ]
