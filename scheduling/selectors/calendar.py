"""The calendar's content: which visits and which uses of places fall on which days.

A constant number of queries. Visits of other studies of the same lab show as taken time without a code.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from scheduling.models import Booking, Visit
from scheduling.rules.elapsed import local_day_bounds
from scheduling.rules.timeline import Interval
from scheduling.selectors.cards import STATE_KINDS
from scheduling.selectors.timelines import Occupancy, occupancy, span
from studylab.studies.models import Study

STATES_SHOWN = ("booked", "running", "done", "stopped", "missed")


@dataclass(frozen=True, slots=True)
class UseShown:
    """One place in use. `code` is empty for a visit of another study."""

    place_id: int
    kind: str
    place: str
    during: Interval
    blocked_until: datetime
    code: str
    number: int
    state: str
    visit_id: int
    visit_uid: UUID
    visit_start: datetime
    resource_id: int

    @property
    def movable(self) -> bool:
        """Whether the visit can still be moved."""
        return bool(self.code) and self.state == Visit.State.BOOKED


@dataclass(frozen=True, slots=True)
class VisitListed:
    """One visit of this study as a row of the list."""

    visit_id: int
    uid: UUID
    code: str
    number: int
    start: datetime
    end: datetime
    state: str
    state_kind: str
    places: list[str]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of the calendar is shown. Empty values want everything."""

    code: str = ""
    visit: int | None = None
    resource: int | None = None

    def keeps(self, code: str, number: int) -> bool:
        """Whether a visit is shown."""
        return self.code in ("", code) and self.visit in (None, number)

    @property
    def all(self) -> bool:
        """Whether everything is shown."""
        return self == Wanted()


@dataclass(frozen=True, slots=True)
class CalendarDays:
    """Everything that falls on the asked days."""

    days: tuple[date, ...]
    bounds: dict[date, Interval]
    places: Occupancy
    uses: tuple[UseShown, ...]
    listed: dict[date, list[VisitListed]]
    resource: int | None = None


def calendar_days(study: Study, days: Sequence[date], wanted: Wanted | None = None) -> CalendarDays:
    """Return openings, uses of places and visits on local days of the study's zone, in order."""
    wanted = wanted or Wanted()
    bounds = {day: local_day_bounds(day, study.timezone) for day in days}
    start, end = bounds[days[0]][0], bounds[days[-1]][1]
    places = occupancy(start, end)
    everything = _uses(study, start, end, places)
    uses = everything if wanted.all else tuple(
        use for use in everything
        if wanted.keeps(use.code, use.number) and wanted.resource in (None, use.resource_id)
    )  # fmt: skip
    at_resource = {use.visit_id for use in uses}
    listed: dict[date, list[VisitListed]] = {day: [] for day in days}
    for row in _visits(study, start, end, everything):
        if not wanted.keeps(row.code, row.number):
            continue
        if wanted.resource is not None and row.visit_id not in at_resource:
            continue
        day = next((d for d in days if bounds[d][0] <= row.start < bounds[d][1]), days[0])
        listed[day].append(row)
    return CalendarDays(tuple(days), bounds, places, uses, listed, wanted.resource)


def codes_on(study: Study, days: Sequence[date]) -> list[str]:
    """Return the codes of volunteers of this study who have a visit on these days, in order."""
    start = local_day_bounds(days[0], study.timezone)[0]
    end = local_day_bounds(days[-1], study.timezone)[1]
    visits = Visit.objects.filter(
        participant__study=study, state__in=STATES_SHOWN, planned__overlap=span(start, end)
    )
    codes = visits.order_by("participant__code").values_list("participant__code", flat=True)
    return list(codes.distinct())


def _uses(study: Study, start: datetime, end: datetime, places: Occupancy) -> tuple[UseShown, ...]:
    rows = (
        Booking.objects.filter(is_active=True, blocked__overlap=span(start, end))
        .order_by("during", "place_id")
        .values_list(
            "place_id", "place__resource__kind", "place__resource__name",
            "during", "blocked__endswith", "visit__participant__study_id",
            "visit__participant__code", "visit__number", "visit__state", "visit_id", "visit__uid",
            "visit__planned__startswith", "place__resource_id",
        )
    )  # fmt: skip
    return tuple(
        UseShown(
            place_id=place_id,
            kind=kind,
            place=places.names[place_id].name if place_id in places.names else name,
            during=(during.lower, during.upper),
            blocked_until=blocked_until,
            code=code if study_id == study.pk else "",
            number=number,
            state=state,
            visit_id=visit_id,
            visit_uid=visit_uid,
            visit_start=visit_start,
            resource_id=resource_id,
        )
        for place_id, kind, name, during, blocked_until, study_id, code, number, state, visit_id,
            visit_uid, visit_start, resource_id
        in rows
    )  # fmt: skip


def _visits(
    study: Study, start: datetime, end: datetime, uses: Sequence[UseShown]
) -> list[VisitListed]:
    names: dict[int, dict[str, None]] = {}
    for use in uses:
        names.setdefault(use.visit_id, {})[use.place] = None
    visits = (
        Visit.objects.filter(
            participant__study=study, state__in=STATES_SHOWN, planned__overlap=span(start, end)
        )
        .select_related("participant")
        .order_by("planned", "id")
    )
    return [
        VisitListed(
            visit_id=row.pk,
            uid=row.uid,
            code=row.participant.code,
            number=row.number,
            start=row.planned.lower,
            end=row.planned.upper,
            state=row.get_state_display(),
            state_kind=STATE_KINDS[Visit.State(row.state)],
            places=list(names.get(row.pk, {})),
        )
        for row in visits
    ]
