"""How many more series fit, week by week, and of what one more would help most.

Counted by placing volunteers who can always come one after the other, each at the earliest series that is
left: so many fit for certain. The planner's "what if" gives a proved limit too.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduling.rules.elapsed import Zone, local_day
from scheduling.rules.plan_board import Board
from scheduling.rules.plan_build import Candidate, build_problem, with_more
from scheduling.rules.plan_problem import PlanProblem
from scheduling.rules.timeline import Grid, PlaceIntervals
from studylab.studies.rules.protocol import Protocol

MOST = 1000  # series counted; more than any lab runs within the days of the view
ONE_MORE = "one more"


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One local week: its Monday, series that begin in it as booked, and how many more can."""

    monday: date
    booked: int
    free: int


@dataclass(frozen=True, slots=True)
class Bottleneck:
    """One kind: how many more series would fit with one more of it."""

    kind: str
    places: int
    more: int


@dataclass(frozen=True, slots=True)
class CapacityView:
    """Weeks in order, and kinds with what would free the most first."""

    weeks: tuple[WeekRow, ...]
    kinds: tuple[Bottleneck, ...]

    @property
    def free(self) -> int:
        """How many more series fit in all."""
        return sum(row.free for row in self.weeks)

    @property
    def booked(self) -> int:
        """How many series are booked to begin in these weeks."""
        return sum(row.booked for row in self.weeks)


def capacity_view(
    *,
    plan: Protocol,
    grid: Grid,
    zone: Zone,
    places: Mapping[str, Sequence[PlaceIntervals]],
    booked: Sequence[datetime],
    now: datetime,
    first: date,
    last: date,
) -> CapacityView:
    """Return what the days `first` to `last`, local and included, hold. `booked` are starts of booked series.

    Whole series lie in these days; weeks begin on Monday.
    """

    def count(changed: Mapping[str, Sequence[PlaceIntervals]]) -> list[datetime]:
        anybody = Candidate(
            key="anybody", free=((grid.start, grid.end),), liked=(), dose_before=None
        )
        problem = build_problem(
            plan=plan, grid=grid, zone=zone, places=changed, people=[anybody], not_before=now
        )
        return _starts(problem)

    free = count(places)
    kinds = {n.kind for visit in plan.visits for part in visit.segments for n in part.needs}
    return CapacityView(
        _weeks(free, booked, zone, first, last), _bottlenecks(places, sorted(kinds), len(free), count)
    )  # fmt: skip


def _starts(problem: PlanProblem) -> list[datetime]:
    board, found = Board(problem), list[datetime]()
    while len(found) < MOST:
        series = board.first(problem.people[0])
        if series is None:
            break
        board.take(*series)
        found.append(problem.grid.at(series[0][0]))
    return found


def _weeks(
    free: Sequence[datetime], booked: Sequence[datetime], zone: Zone, first: date, last: date
) -> tuple[WeekRow, ...]:
    begins, fits = (Counter(_monday(at, zone) for at in starts) for starts in (booked, free))
    monday, rows = first - timedelta(days=first.weekday()), list[WeekRow]()
    while monday <= last:
        rows.append(WeekRow(monday, begins[monday], fits[monday]))
        monday += timedelta(days=7)
    return tuple(rows)


def _monday(at: datetime, zone: Zone) -> date:
    day = local_day(at, zone)
    return day - timedelta(days=day.weekday())


def _bottlenecks(
    places: Mapping[str, Sequence[PlaceIntervals]],
    kinds: Sequence[str],
    base: int,
    count: Callable[[Mapping[str, Sequence[PlaceIntervals]]], list[datetime]],
) -> tuple[Bottleneck, ...]:
    rows = [
        Bottleneck(
            # Placing one after the other is no proof: with more room it may end a little worse by chance.
            kind,
            len(places[kind]),
            max(0, len(count(with_more(places, kind, ONE_MORE))) - base),
        )
        for kind in kinds
        if places.get(kind)
    ]
    return tuple(sorted(rows, key=lambda row: (-row.more, row.kind)))
