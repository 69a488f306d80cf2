"""How many more series fit, week by week, and of what one more would help most.

Counted by placing volunteers who can always come one after the other, each at the earliest series that is
left: so many fit for certain. Free time divided by what a series needs is a limit that no placing exceeds; the
planner's "what if" proves a closer one.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduling.rules.elapsed import Zone, local_day
from scheduling.rules.openings import joined
from scheduling.rules.plan_board import Board
from scheduling.rules.plan_build import Candidate, build_problem
from scheduling.rules.plan_problem import PlanProblem
from scheduling.rules.timeline import Grid, PlaceIntervals, dilate, free_bits, runs
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
    """One kind: how many more series would fit at least with one more of it."""

    kind: str
    places: int
    more: int


@dataclass(frozen=True, slots=True)
class Limit:
    """No more series than these fit, since the free time of this kind is used up by then."""

    kind: str
    series: int


@dataclass(frozen=True, slots=True)
class CapacityView:
    """Weeks in order, kinds with what would free the most first, and what no way of placing can exceed.

    Counting that was `stopped` at the most says nothing about kinds: the board was not full yet.
    """

    weeks: tuple[WeekRow, ...]
    kinds: tuple[Bottleneck, ...]
    limit: Limit | None

    @property
    def free(self) -> int:
        """How many more series fit in all."""
        return sum(row.free for row in self.weeks)

    @property
    def booked(self) -> int:
        """How many series are booked to begin in these weeks."""
        return sum(row.booked for row in self.weeks)

    @property
    def stopped(self) -> bool:
        """Whether there may be more than were counted."""
        return self.free >= MOST


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
    board = _open_board(plan, grid, zone, places, now)
    problem = board.problem
    needed = sorted({row.kind for rows in problem.needed for row in rows})
    limits = [_limit(problem, kind) for kind in needed]
    free = _placed(board)
    wanting = [kind for kind in needed if places.get(kind)] if len(free) < MOST else []
    kinds = [_one_more(board, kind, places[kind]) for kind in wanting]
    return CapacityView(
        _weeks(free, booked, zone, first, last),
        tuple(sorted(kinds, key=lambda row: (-row.more, row.kind))),
        min(limits, key=lambda row: row.series, default=None),
    )


def free_starts(
    *,
    plan: Protocol,
    grid: Grid,
    zone: Zone,
    places: Mapping[str, Sequence[PlaceIntervals]],
    now: datetime,
) -> list[datetime]:
    """Return the starts of all series that still fit, each placed as early as the ones before leave room."""
    return _placed(_open_board(plan, grid, zone, places, now))


def _open_board(
    plan: Protocol,
    grid: Grid,
    zone: Zone,
    places: Mapping[str, Sequence[PlaceIntervals]],
    now: datetime,
) -> Board:
    anybody = Candidate(key="anybody", free=((grid.start, grid.end),), liked=(), dose_before=None)
    return Board(
        build_problem(
            plan=plan, grid=grid, zone=zone, places=places, people=[anybody], not_before=now
        )
    )


def _placed(board: Board) -> list[datetime]:
    """Fill a board with series of volunteers who can always come and return their starts."""
    found = list[datetime]()
    while len(found) < MOST:
        series = board.first(board.problem.people[0])
        if series is None:
            break
        board.take(*series)
        found.append(board.problem.grid.at(series[0][0]))
    return found


def _one_more(board: Board, kind: str, rows: Sequence[PlaceIntervals]) -> Bottleneck:
    """Return how many more series fit on a full board with one more place, open whenever another of its kind is.

    What is placed stays where it is, so this never comes out below nothing and costs only the series added.
    """
    opened = joined(interval for row in rows for interval in row.open)
    wider = board.with_place(kind, ONE_MORE, free_bits(board.problem.grid, opened))
    return Bottleneck(kind, len(rows), len(_placed(wider)))


def _limit(problem: PlanProblem, kind: str) -> Limit:
    """Return how many series the free time of a kind suffices for, however they are placed."""
    spans = [
        stop - first
        for rows in problem.needed
        for row in rows
        if row.kind == kind
        for first, stop in [problem.slots_of(row)]
    ]
    shortest = min(spans)
    usable = sum(
        dilate(runs(row.free, shortest), 0, shortest - 1).bit_count()
        for row in problem.places.get(kind, ())
    )
    return Limit(kind, usable // sum(spans))


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
