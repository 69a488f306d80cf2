"""Which booked visits lie where something is not open, and all that their repair is computed from."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Prefetch

from scheduling.models import Booking, Dose, Series, Visit
from scheduling.rules.elapsed import local_day, local_day_bounds
from scheduling.rules.repair import RADII, Case
from scheduling.rules.repair_board import RepairBoard
from scheduling.rules.series import VisitOption
from scheduling.rules.spacing import planned_anchors
from scheduling.rules.timeline import Grid
from scheduling.selectors.changes import booked_option
from scheduling.selectors.crowd import bounds_of
from scheduling.selectors.timelines import Occupancy, occupancy
from studylab.audit.history import STANDS
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

OVER = (Visit.State.DONE, Visit.State.RUNNING, Visit.State.STOPPED)


@dataclass(frozen=True, slots=True)
class Hit:
    """A series with visits that cannot stay: its case, and per hit visit the places that are not open."""

    series: Series
    case: Case
    lost: dict[int, tuple[str, ...]]

    @property
    def first(self) -> Visit:
        """The first visit that must change."""
        return self.visit(min(self.case.hit))

    def visit(self, number: int) -> Visit:
        """Return one visit of the series."""
        return next(row for row in self.series.visits.all() if row.number == number)


@dataclass(frozen=True, slots=True)
class RepairInput:
    """Everything hit, the soonest first, with the places it may be put on. Nothing is hit: `board` is None."""

    hits: tuple[Hit, ...]
    board: RepairBoard | None
    places: Occupancy | None


def repair_input(study: Study, now: datetime) -> RepairInput:
    """Return every series of a study with a visit to come on a place that is closed then. Queries are constant."""
    series = _open_series(study, now)
    if not series:
        return RepairInput((), None, None)
    to_come = [row for one in series for row in one.visits.all() if _to_come(row, now)]
    first = local_day_bounds(local_day(now, study.timezone), study.timezone)[0]
    last = max(row.planned.upper for row in to_come) + max(RADII) + timedelta(days=1)
    grid = Grid.covering(first, last)
    held = bookings_of(to_come)
    plans = {one.pk: plan_of(one.protocol_version) for one in series}
    places = occupancy(grid.start, grid.end, at=now)
    board = RepairBoard(grid, places.places, plans[series[0].pk].turnaround)
    options = {
        row.pk: booked_option(plans[row.series_id], row, held.get(row.pk, [])) for row in to_come
    }
    lost = {pk: board.hit(option) for pk, option in options.items()}
    hit = [one for one in series if any(lost.get(row.pk) for row in one.visits.all())]
    if not hit:
        return RepairInput((), board, places)
    names = {row.place_id: row.place.resource.name for rows in held.values() for row in rows}
    cases = _cases(hit, plans, options, lost, grid, now)
    rows = tuple(
        Hit(
            one, cases[one.pk],
            {
                row.number: tuple(dict.fromkeys(names[place] for place in lost[row.pk]))  # type: ignore[index]
                for row in one.visits.all()
                if lost.get(row.pk)
            },
        )
        for one in hit
    )  # fmt: skip
    return RepairInput(tuple(sorted(rows, key=lambda row: row.first.planned.lower)), board, places)


def bookings_of(visits: Sequence[Visit]) -> dict[int, list[Booking]]:
    """Return the bookings that hold, by visit."""
    found: dict[int, list[Booking]] = defaultdict(list)
    rows = Booking.objects.filter(visit__in=visits, is_active=True)
    for row in rows.select_related("place__resource").order_by("during", "pk"):
        found[row.visit_id].append(row)
    return found


def case_of(series: Series, now: datetime, hit: Iterable[int]) -> tuple[Case, RepairBoard]:
    """Return one series as a case whose visits `hit` must change, with the board it may be put on."""
    plan, zone = plan_of(series.protocol_version), series.participant.study.timezone
    to_come = [row for row in series.visits.all() if row.state == Visit.State.BOOKED]
    first = local_day_bounds(local_day(now, zone), zone)[0]
    last = max([now, *(row.planned.upper for row in to_come)]) + max(RADII) + timedelta(days=1)
    grid = Grid.covering(first, last)
    held = bookings_of(to_come)
    options = {row.pk: booked_option(plan, row, held.get(row.pk, [])) for row in to_come}
    places = occupancy(grid.start, grid.end, at=now, held_for=[series.participant_id])
    board = RepairBoard(grid, places.places, plan.turnaround)
    numbers = frozenset(hit)
    lost = {row.pk: ("wanted",) if row.number in numbers else () for row in to_come}
    case = _cases([series], {series.pk: plan}, options, lost, grid, now)[series.pk]
    return case, board


def _open_series(study: Study, now: datetime) -> list[Series]:
    wanted = Visit.objects.filter(
        series__participant__study=study, series__state=Series.State.OPEN,
        state=Visit.State.BOOKED, planned__startswith__gt=now,
    )  # fmt: skip
    return list(
        Series.objects.filter(pk__in=wanted.values("series"))
        .select_related("participant__study", "protocol_version")
        .prefetch_related(Prefetch("visits", Visit.objects.order_by("number")))
        .order_by("pk")
    )


def _to_come(row: Visit, now: datetime) -> bool:
    return row.state == Visit.State.BOOKED and row.planned.lower > now


def _cases(
    series: Sequence[Series],
    plans: dict[int, Protocol],
    options: dict[int, VisitOption],
    lost: Mapping[int, tuple[object, ...]],
    grid: Grid,
    now: datetime,
) -> dict[int, Case]:
    mine = [row.pk for one in series for row in one.visits.all() if row.pk in options]
    people = [one.participant for one in series]
    bounds = bounds_of(people, grid.start, grid.end, now=now, ignoring=mine)
    doses = {
        dose.visit_id: dose.given_at
        for dose in Dose.objects.filter(STANDS, visit__series__in=series)
    }
    found = {}
    for one in series:
        plan, own = plans[one.pk], bounds[one.participant_id]
        over = [row for row in one.visits.all() if row.state in OVER]
        found[one.pk] = Case(
            key=one.participant.code,
            plan=plan,
            visits=tuple(options[row.pk] for row in one.visits.all() if row.pk in options),
            hit=frozenset(row.number for row in one.visits.all() if lost.get(row.pk)),
            anchors=happened(plan, over, doses),
            after=max((row.ended_at or row.planned.upper for row in over), default=now),
            free=own.free,
            dose_from=own.dose_from,
            dose_before=own.dose_before,
            never=own.never,
        )
    return found


def happened(
    plan: Protocol, over: Sequence[Visit], doses: Mapping[int, datetime]
) -> dict[str, datetime]:
    """Return the moments of visits that began: real where known, else as far after the real start as planned."""
    starts = {row.number: row.started_at or row.planned.lower for row in over}
    anchors = planned_anchors(plan, starts)
    for row in over:
        key = plan.visit(row.number).key
        real = {"end": row.ended_at, "dose": doses.get(row.pk)}
        anchors.update({f"{key}.{moment}": at for moment, at in real.items() if at is not None})
    return anchors
