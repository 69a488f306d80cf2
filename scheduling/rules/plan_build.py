"""From a protocol, places and people to the planner's problem, and from its plan back to series to book."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from scheduling.rules.elapsed import Zone, load_zone
from scheduling.rules.fits import Fits
from scheduling.rules.openings import joined
from scheduling.rules.plan_problem import Placed, PlanPerson, PlanProblem, Starts
from scheduling.rules.problem import Problem
from scheduling.rules.series import Preferences, SeriesOption, served_visit
from scheduling.rules.spacing import dose_offset
from scheduling.rules.timeline import (
    Grid,
    Interval,
    PlaceId,
    PlaceIntervals,
    day_masks,
    free_bits,
    runs,
    timelines,
)
from studylab.studies.rules.protocol import Protocol

RASTER = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One volunteer to be planned. `stays` are the present starts of a series that may move.

    Places in `never` do not serve them. The dose comes at or after `dose_from` (medicines) and before `dose_before` (sign-off); None for no such limit.
    """

    key: str
    free: Sequence[Interval]
    liked: Sequence[Interval]
    dose_before: datetime | None
    dose_from: datetime | None = None
    stays: tuple[datetime, ...] | None = None
    never: tuple[PlaceId, ...] = ()


def build_problem(
    *,
    plan: Protocol,
    grid: Grid,
    zone: Zone,
    places: Mapping[str, Sequence[PlaceIntervals]],
    people: Sequence[Candidate],
    not_before: datetime,
) -> PlanProblem:
    """Return the planner's problem over the days of `grid`. Visits start on whole quarters of the local clock."""
    lines = timelines(grid, places)
    whole = Problem(
        plan=plan,
        grid=grid,
        fits=Fits(grid, lines),
        person_free=-1,
        not_before=not_before,
        not_after=None,
        zone=load_zone(zone),
        preferences=Preferences(),
        raster_minutes=RASTER,
    )
    return PlanProblem(
        grid=grid,
        lengths=tuple(-(-visit.minutes // grid.minutes_per_slot) for visit in plan.visits),
        needed=whole.needed,
        links=whole.links,
        days=tuple(
            ((mask & -mask).bit_length() - 1, mask.bit_length())
            for mask in day_masks(grid, load_zone(zone))
        ),
        places=lines,
        people=tuple(_person(whole, row) for row in people),
        step=whole.step,
    )


def _person(whole: Problem, row: Candidate) -> PlanPerson:
    grid, plan = whole.grid, whole.plan
    frames = [whole.frame(index) for index in range(len(plan.visits))]
    dosing = next(n for n, visit in enumerate(plan.visits) if visit.is_dosing)
    ahead = dose_offset(plan.dosing_visit)
    if row.dose_before is not None:
        frames[dosing] &= grid.span(0, grid.ceil(row.dose_before - ahead))
    if row.dose_from is not None:
        frames[dosing] &= grid.span(grid.ceil(row.dose_from - ahead), grid.slots)
    own, liked = free_bits(grid, row.free), free_bits(grid, row.liked) if row.liked else 0
    lengths = [-(-visit.minutes // grid.minutes_per_slot) for visit in plan.visits]
    starts = [bits & runs(own, length) for bits, length in zip(frames, lengths, strict=True)]
    wanted = [bits & runs(liked, length) for bits, length in zip(starts, lengths, strict=True)]
    stays: Starts | None = None
    if row.stays is not None:
        stays = tuple(grid.floor(at) for at in row.stays)
        starts = [bits | 1 << at for bits, at in zip(starts, stays, strict=True)]
    return PlanPerson(
        key=row.key, starts=tuple(starts), wanted=tuple(wanted), stays=stays, never=row.never
    )


def with_more(
    places: Mapping[str, Sequence[PlaceIntervals]], kind: str, label: str
) -> dict[str, tuple[PlaceIntervals, ...]]:
    """Return the places with one more of a kind, open whenever any other of it is and never taken."""
    rows = tuple(places.get(kind, ()))
    opened = joined(interval for row in rows for interval in row.open)
    return {
        **{k: tuple(v) for k, v in places.items()},
        kind: (*rows, PlaceIntervals(label, opened)),
    }


def with_longer_hours(
    places: Mapping[str, Sequence[PlaceIntervals]], by: timedelta
) -> dict[str, tuple[PlaceIntervals, ...]]:
    """Return the places as if everything were open so much longer at the end of each opening."""
    return {
        kind: tuple(
            replace(row, open=joined((start, end + by) for start, end in row.open)) for row in rows
        )
        for kind, rows in places.items()
    }


def to_option(plan: Protocol, problem: PlanProblem, placed: Placed) -> SeriesOption:
    """Return a placed series as an option to check, show and book."""
    visits = []
    for index, (visit, needed) in enumerate(zip(plan.visits, problem.needed, strict=True)):
        places = [placed.seats[index, number] for number in range(len(needed))]
        begin = problem.grid.at(placed.starts[index])
        visits.append(served_visit(visit, begin, needed, places))
    cost = problem.cost(problem.people[placed.person], placed.starts)
    return SeriesOption(tuple(visits), cost)
