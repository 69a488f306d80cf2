"""Deviations listed by person, kind and time, and as CSV."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

from django.db.models import OuterRef, Prefetch, QuerySet, Subquery

from studylab.audit.history import STANDS
from studylab.participants.models import Deviation, DeviationAssessment, Told
from studylab.participants.selectors.deviations import deviations_of
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study

# One row is one deviation; the first column is the key.
COLUMNS = (
    "deviation", "volunteer", "kind", "what went differently", "about", "happened (UTC)", "first known (UTC)",
    "recorded (UTC)", "found", "state", "explanation", "could be a serious breach (at entry)", "importance",
    "effect on the person", "effect on the data", "what is changed", "touched dose, blind or safety", "serious breach",
    "why", "person told", "closed (UTC)",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviationSearch:
    """What the list is narrowed to; "" and None narrow nothing."""

    code: str = ""
    kind: str = ""
    state: str = ""
    importance: str = ""
    found_by: str = ""
    since: datetime | None = None
    until: datetime | None = None


def found_deviations(study: Study, search: DeviationSearch) -> QuerySet[Deviation]:
    """Return the deviations a search asks for, newest first, with `importance` of the newest assessment."""
    newest = DeviationAssessment.objects.filter(STANDS, deviation=OuterRef("pk"))
    found = deviations_of(study, search.state).annotate(
        importance=Subquery(newest.values("importance")[:1])
    )
    if search.code:
        found = found.filter(participant__code=search.code)
    if search.kind:
        found = found.filter(kind=search.kind)
    if search.importance:
        wanted = None if search.importance == "none" else search.importance
        found = found.filter(importance=wanted) if wanted else found.filter(importance__isnull=True)
    if search.found_by:
        found = found.filter(found_by_system=search.found_by == "system")
    if search.since:
        found = found.filter(occurred_at__gte=search.since)
    if search.until:
        found = found.filter(occurred_at__lt=search.until)
    return found


def by_month(
    study: Study, found: QuerySet[Deviation]
) -> list[tuple[str, list[tuple[str, int]], int]]:
    """Return (month, [(kind in words, how many)], sum) for every month with deviations, the newest first."""
    words = dict(Deviation.Kind.choices)
    numbers: dict[str, Counter[str]] = {}
    for at, kind in found.order_by().values_list("occurred_at", "kind"):
        numbers.setdefault(f"{at.astimezone(study.zone):%Y-%m}", Counter())[kind] += 1
    return [
        (month, [(words[kind], n) for kind, n in sorted(kinds.items(), key=lambda row: (-row[1], row[0]))], kinds.total())
        for month, kinds in sorted(numbers.items(), reverse=True)
    ]  # fmt: skip


def deviations_csv(found: QuerySet[Deviation]) -> Iterator[str]:
    """Yield the deviations as CSV text, row by row, with codes and never a name of a volunteer."""
    yield csv_line(COLUMNS)
    rows = found.order_by("id").prefetch_related(
        Prefetch("assessments", DeviationAssessment.objects.filter(STANDS)),
        Prefetch("told", Told.objects.order_by("-id")),
    )
    for one in rows.iterator(chunk_size=500):
        yield csv_line(_cells(one))


def _cells(one: Deviation) -> Iterable[object]:
    newest = next(iter(one.assessments.all()), None)
    told = next(iter(one.told.all()), None)
    assessed: tuple[object, ...] = ("", "", "", "", "", "", "")
    if newest is not None:
        assessed = (
            newest.get_importance_display(), newest.effect_person, newest.effect_data, newest.corrective,
            _yes(newest.touches), _yes(newest.breach), newest.breach_why,
        )  # fmt: skip
    return (
        one.uid, one.participant.code if one.participant else "", one.get_kind_display(), one.what, one.subject,
        one.occurred_at.isoformat(), (one.aware_at or one.recorded_at).isoformat(), one.recorded_at.isoformat(),
        "by Studylab" if one.found_by_system else "by hand", one.get_state_display(), one.explanation,
        one.get_breach_display(), *assessed, "" if told is None else _yes(told.told),
        one.closed_at.isoformat() if one.closed_at else "",
    )  # fmt: skip


def _yes(value: bool) -> str:
    return "yes" if value else "no"
