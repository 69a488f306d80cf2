"""Find complete series for one volunteer: every visit, every place, every rule, best first.

Per visit the possible starts are one big integer, made by shifting and masking the places' timelines;
the spacing rules thin these sets by dilation; what is left is walked in order of rank. `search_check`
re-checks an option from plain intervals, without any of this.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from scheduling.rules.choosing import Chooser, Chosen
from scheduling.rules.elapsed import Zone, load_zone, local_day
from scheduling.rules.fits import Fits
from scheduling.rules.problem import Problem
from scheduling.rules.ranking import DayCap, Found, best_conceivable, order, ranked
from scheduling.rules.series import (
    PlaceRef,
    Preferences,
    SearchResult,
    SegmentOption,
    SeriesOption,
    VisitOption,
    served_visit,
)
from scheduling.rules.timeline import Grid, PlaceTimeline
from scheduling.rules.why_none import explain
from studylab.studies.rules.protocol import Protocol

__all__ = [
    "PlaceRef",
    "Preferences",
    "SearchResult",
    "SegmentOption",
    "SeriesOption",
    "VisitOption",
    "search_series",
]

Known = frozenset[tuple[int, ...]]  # starts of series that were found in an earlier turn
NO_WISHES_YET = Preferences()


def search_series(
    *,
    plan: Protocol,
    grid: Grid,
    places: Mapping[str, Sequence[PlaceTimeline]],
    person_free: int,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
    zone: Zone,
    preferences: Preferences = NO_WISHES_YET,
    limit: int = 12,
    raster_minutes: int = 15,
) -> SearchResult:
    """Return up to `limit` series of all visits of `plan`, best first, or the reasons why there is none.

    `places` holds, per resource kind, the free slots of each place on `grid`; `person_free` those of the
    volunteer (`grid.full` or -1 when unknown). All visits lie in [not_before, not_after] and on the grid.
    Visits start on whole `raster_minutes` of the local clock. ValueError for a limit below 1, a raster that
    does not fit the grid, a naive datetime, an unknown zone, or spacing rules the plan itself contradicts.
    """
    return search_problem(
        problem_of(
            plan=plan,
            grid=grid,
            places=places,
            person_free=person_free,
            not_before=not_before,
            not_after=not_after,
            zone=zone,
            preferences=preferences,
            raster_minutes=raster_minutes,
        ),
        limit,
    )


def problem_of(
    *,
    plan: Protocol,
    grid: Grid,
    places: Mapping[str, Sequence[PlaceTimeline]],
    person_free: int,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
    zone: Zone,
    preferences: Preferences = NO_WISHES_YET,
    raster_minutes: int = 15,
) -> Problem:
    """Return the problem that `search_series` solves, to be searched and changed."""
    return Problem(
        plan=plan,
        grid=grid,
        fits=Fits(grid, places),
        person_free=person_free,
        not_before=not_before,
        not_after=not_after,
        zone=load_zone(zone),
        preferences=preferences,
        raster_minutes=raster_minutes,
    )


def search_problem(problem: Problem, limit: int) -> SearchResult:
    """Return up to `limit` series of a problem, best first, or the reasons why there is none."""
    if limit < 1:
        raise ValueError(f"limit must be at least 1, not {limit}.")
    found = find(problem, limit)
    if not found:
        return SearchResult((), explain(problem, lambda relaxed: bool(find(relaxed, 1))))
    return SearchResult(tuple(_option(problem, row, chosen) for row, chosen in found), ())


def find(problem: Problem, limit: int) -> list[tuple[Found, Chosen]]:
    """Return up to `limit` series in order of rank, each with a place for every occupation.

    What is preferred comes first: inside the liked times and served by one place, then either, then any.
    """
    found: list[tuple[Found, Chosen]] = []
    known: set[tuple[int, ...]] = set()
    days: Counter[int] = Counter()
    most = problem.preferences.per_day
    for tier in tiers(problem):
        for row, chosen in _merged(tier, limit - len(found), frozenset(known)):
            day = local_day_of(problem, row[2][0])
            if row[2] in known or (most and days[day] >= most):
                continue  # two places of the preferred kind serve the same times
            known.add(row[2])
            days[day] += 1
            found.append((row, chosen))
            if len(found) == limit:
                return found
    return found


def count_series(problem: Problem, limit: int) -> int:
    """Return how many series a problem has, counted up to `limit`; what is preferred does not matter."""
    plain = replace(problem.preferences, per_day=None, same_kind=None, liked=None)
    return len(_find_one(replace(problem, preferences=plain), limit, frozenset()))


def tiers(problem: Problem) -> Iterator[list[Problem]]:
    """Yield what to search in turn; the problems of one tier are of equal rank."""
    wishes = problem.preferences
    kind = wishes.same_kind if wishes.same_kind in problem.fits.places else None
    alone = []
    if kind is not None:
        places = problem.fits.of(kind)
        alone = [
            problem.with_fits(problem.fits.with_kind(kind, places.only(index)))
            for index in range(len(places.rows))
        ]
    for people in (alone, [problem]):
        if people and wishes.liked is not None:
            yield [replace(one, person_free=one.person_free & wishes.liked) for one in people]
    if alone:
        yield alone
    yield [problem]


def _merged(problems: Sequence[Problem], limit: int, known: Known) -> list[tuple[Found, Chosen]]:
    """Return the series of several problems of equal rank, best first."""
    rows = [row for problem in problems for row in _find_one(problem, limit, known)]
    if len(problems) == 1:
        return rows
    return sorted(rows, key=lambda row: order(problems[0], row[0]))


def local_day_of(problem: Problem, slot: int) -> int:
    """Return a number for the local day of a slot."""
    return local_day(problem.grid.at(slot), problem.zone).toordinal()


def _find_one(problem: Problem, limit: int, known: Known) -> list[tuple[Found, Chosen]]:
    """Return up to `limit` series of one problem that are not known yet, best first.

    Often the first days already hold enough series that no later one could outrank: then the rest of the grid is
    never looked at.
    """
    if not problem.preferences.earliest:
        return _find_within(problem, limit, known)
    best = best_conceivable(problem)
    if best is None:
        return []
    for part in problem.beginnings():
        found = _find_within(part, limit, known)
        if len(found) == limit and part is not problem:
            deviation, clock, starts = found[-1][0]
            if (deviation, clock) == best[:2] and starts[0] + best[2] <= part.grid.slots:
                break
    return found


def _find_within(problem: Problem, limit: int, known: Known) -> list[tuple[Found, Chosen]]:
    starts = problem.narrowed([problem.starts(index) for index in range(len(problem.plan.visits))])
    if not all(starts):
        return []
    chooser, days = Chooser(problem), DayCap(problem)
    for first, *_ in known:
        days.accept(first)
    found: list[tuple[Found, Chosen]] = []
    for row in ranked(problem, starts, days):
        chosen = None if row[2] in known else chooser.choose(row[2])
        if chosen is not None:
            found.append((row, chosen))
            days.accept(row[2][0])
            if len(found) == limit:
                break
    return found


def _option(problem: Problem, row: Found, chosen: Chosen) -> SeriesOption:
    deviation, difference, starts = row
    visits = []
    for index, (visit, needed) in enumerate(zip(problem.plan.visits, problem.needed, strict=True)):
        places = [chosen[index, number] for number in range(len(needed))]
        begin = problem.grid.at(starts[index])
        visits.append(served_visit(visit, begin, needed, places))
    return SeriesOption(tuple(visits), deviation + difference)
