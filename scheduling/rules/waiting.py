"""Whom a freed time fits: of those who wait, everybody with a whole series that uses some of it.

Fair by rule: among those whom it fits, whoever waits longest comes first. Nothing else counts.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from scheduling.rules.elapsed import Zone
from scheduling.rules.fences import Fence, fence_timelines, fenced, unfenced
from scheduling.rules.gaps import overlap, uses
from scheduling.rules.openings import joined
from scheduling.rules.search import SeriesOption, problem_of, search_problem
from scheduling.rules.series import Preferences
from scheduling.rules.timeline import Grid, Interval, PlaceId, PlaceTimeline, free_bits
from studylab.studies.rules.protocol import Protocol

FEW = 12  # series looked at per visit and freed stretch
FAR_PAST, FAR = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
RULE = (
    "Among those whom a freed time fits, whoever has waited longest comes first. Preferences decide which of the "
    "fitting series is offered, never who comes first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiter:
    """Somebody who waits, when they can come and would like to, and what bounds their dose and places."""

    key: str
    since: datetime
    free: Sequence[Interval]
    liked: Sequence[Interval] = ()
    dose_from: datetime | None = None
    dose_before: datetime | None = None
    never: tuple[PlaceId, ...] = ()


@dataclass(frozen=True, slots=True)
class Freed:
    """One place that became free for a time."""

    place: PlaceId
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Fit:
    """The best series for somebody that uses freed time; None when nothing of it fits them."""

    key: str
    since: datetime
    option: SeriesOption | None


def who_fits(
    waiters: Sequence[Waiter],
    freed: Sequence[Freed],
    *,
    plan: Protocol,
    grid: Grid,
    lines: Mapping[str, Sequence[PlaceTimeline]],
    zone: Zone,
    now: datetime,
) -> tuple[Fit, ...]:
    """Return everybody in order of rank: those whom it fits by how long they wait, then the others likewise."""
    first = {one.place for one in freed}
    sorted_lines = {
        kind: sorted(rows, key=lambda row: row.place_id not in first)
        for kind, rows in lines.items()
    }
    found = [
        Fit(one.key, one.since, _best(one, freed, plan, grid, sorted_lines, zone, now))
        for one in waiters
    ]
    return tuple(sorted(found, key=lambda fit: (fit.option is None, fit.since, fit.key)))


def _best(
    who: Waiter,
    freed: Sequence[Freed],
    plan: Protocol,
    grid: Grid,
    lines: Mapping[str, Sequence[PlaceTimeline]],
    zone: Zone,
    now: datetime,
) -> SeriesOption | None:
    mine = {
        kind: tuple(row for row in rows if row.place_id not in who.never)
        for kind, rows in lines.items()
    }
    options = [
        option
        for fences in _ways(who, freed, plan)
        for option in _search(who, fences, plan, grid, mine, zone, now)
        if uses_freed(plan, option, freed)
    ]
    return min(options, key=lambda option: (option.score, option.visits[0].start), default=None)


def uses_freed(plan: Protocol, option: SeriesOption, freed: Sequence[Freed]) -> bool:
    """Whether a series occupies some of the freed time at its place."""
    return any(
        use.ref.place_id == one.place and overlap((use.start, use.end), (one.start, one.end))
        for visit in option.visits
        for use in uses(visit, plan.turnaround)
        for one in freed
    )


def _ways(who: Waiter, freed: Sequence[Freed], plan: Protocol) -> Iterator[list[Fence]]:
    """Yield bounds that put one visit over one freed stretch, the dose inside its own bounds."""
    dose: list[Fence] = []
    if who.dose_from is not None or who.dose_before is not None:
        dosing = plan.dosing_visit
        segment = next(step.segment for step in dosing.steps if step.kind == "dose")
        before = who.dose_before - timedelta(seconds=1) if who.dose_before else FAR
        dose = [Fence("time for the dose", dosing.number, segment, who.dose_from or FAR_PAST, before)]  # fmt: skip
    for start, end in joined((one.start, one.end) for one in freed):
        for visit in plan.visits:
            first = visit.segments[0].key
            earliest = start - timedelta(minutes=visit.minutes)
            yield [*dose, Fence("the freed time", visit.number, first, earliest, end)]


def _search(
    who: Waiter,
    fences: Sequence[Fence],
    plan: Protocol,
    grid: Grid,
    lines: Mapping[str, Sequence[PlaceTimeline]],
    zone: Zone,
    now: datetime,
) -> list[SeriesOption]:
    problem = problem_of(
        plan=fenced(plan, fences),
        grid=grid,
        places={**lines} | fence_timelines(plan, grid, fences),
        person_free=free_bits(grid, who.free),
        not_before=now,
        zone=zone,
        preferences=Preferences(per_day=None, liked=free_bits(grid, who.liked) if who.liked else None),
    )  # fmt: skip
    return [unfenced(option, fences) for option in search_problem(problem, FEW).options]
