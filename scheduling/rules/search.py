"""Find complete series for one volunteer: every visit, every place, every rule, best first.

Per visit the possible starts are one big integer, made by shifting and masking the places' timelines;
the spacing rules thin these sets by dilation; what is left is walked in order of rank. `search_check`
re-checks an option from plain intervals, without any of this.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from scheduling.rules.elapsed import (
    Zone,
    clock,
    describe_shift,
    elapsed,
    hours_words,
    load_zone,
    local_day,
)
from scheduling.rules.occupation import Fits, assign, one_place_each
from scheduling.rules.ranking import DayCap, Found, ranked
from scheduling.rules.series import (
    PlaceRef,
    Preferences,
    Problem,
    SearchResult,
    SegmentOption,
    SeriesOption,
    VisitOption,
)
from scheduling.rules.spacing import planned_anchors, say_anchor
from scheduling.rules.timeline import Grid, PlaceId, PlaceTimeline
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

Chosen = dict[tuple[int, int], PlaceId]
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
    soonest = min(row[2][0] for row, _ in found)
    options = (_option(problem, row, chosen, row[2][0] == soonest) for row, chosen in found)
    return SearchResult(tuple(options), ())


def find(problem: Problem, limit: int) -> list[tuple[Found, Chosen]]:
    """Return up to `limit` series in order of rank, each with a place for every occupation.

    What is preferred comes first: inside the liked times and served by one place, then either, then any.
    """
    found: list[tuple[Found, Chosen]] = []
    seen: set[tuple[int, ...]] = set()
    days: dict[int, int] = {}
    for tier in tiers(problem):
        for row, chosen in _merged(tier, limit):
            day, most = local_day_of(problem, row[2][0]), problem.preferences.per_day
            if row[2] in seen or (most and days.get(day, 0) >= most):
                continue
            seen.add(row[2])
            days[day] = days.get(day, 0) + 1
            found.append((row, chosen))
            if len(found) == limit:
                return found
    return found


def count_series(problem: Problem, limit: int) -> int:
    """Return how many series a problem has, counted up to `limit`; what is preferred does not matter."""
    plain = replace(problem.preferences, per_day=None, same_kind=None, liked=None)
    return len(_find_one(replace(problem, preferences=plain), limit))


def tiers(problem: Problem) -> Iterator[list[Problem]]:
    """Yield what to search in turn; the problems of one tier are of equal rank."""
    wishes = problem.preferences
    kind = wishes.same_kind if wishes.same_kind in problem.fits.places else None
    alone = []
    if kind is not None:
        alone = [
            replace(problem, fits=Fits(problem.grid, {**problem.fits.places, kind: (place,)}))
            for place in problem.fits.places[kind]
        ]
    for people in (alone, [problem]):
        if people and wishes.liked is not None:
            yield [replace(one, person_free=one.person_free & wishes.liked) for one in people]
    if alone:
        yield alone
    yield [problem]


def _merged(problems: Sequence[Problem], limit: int) -> list[tuple[Found, Chosen]]:
    """Return the series of several problems of equal rank, best first."""
    rows = [row for problem in problems for row in _find_one(problem, limit)]
    if len(problems) == 1:
        return rows
    sign = 1 if problems[0].preferences.earliest else -1
    return sorted(rows, key=lambda row: (row[0][0], row[0][1], [sign * at for at in row[0][2]]))


def local_day_of(problem: Problem, slot: int) -> int:
    """Return a number for the local day of a slot."""
    return local_day(problem.grid.at(slot), problem.zone).toordinal()


def _find_one(problem: Problem, limit: int) -> list[tuple[Found, Chosen]]:
    starts = problem.narrowed([problem.starts(index) for index in range(len(problem.plan.visits))])
    if not all(starts):
        return []
    checker, days = _Assigner(problem), DayCap(problem)
    found: list[tuple[Found, Chosen]] = []
    for row in ranked(problem, starts, days):
        chosen = checker.choose(row[2])
        if chosen is not None:
            found.append((row, chosen))
            days.accept(row[2][0])
            if len(found) == limit:
                break
    return found


class _Assigner:
    """Gives places to series; remembers which single visits cannot be served at a start."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._exact = [problem.fits.is_exact(needed) for needed in problem.needed]
        self._possible: dict[tuple[int, int], bool] = {}

    def choose(self, starts: Sequence[int]) -> Chosen | None:
        """Return a place for each (visit index, occupation index), or None."""
        if not all(self._visit_possible(index, start) for index, start in enumerate(starts)):
            return None
        fits, needed = self.problem.fits, self.problem.needed
        chosen = one_place_each(fits, needed, starts)
        if len(chosen) == sum(map(len, needed)):
            return chosen
        rest = [
            row
            for index, start in enumerate(starts)
            for row in fits.requests(index, start, needed[index])
            if row.key not in chosen
        ]
        found = assign(rest)
        return None if found is None else chosen | found

    def _visit_possible(self, index: int, start: int) -> bool:
        if self._exact[index]:
            return True
        key = (index, start)
        if key not in self._possible:
            rows = list(self.problem.fits.requests(index, start, self.problem.needed[index]))
            self._possible[key] = assign(rows) is not None
        return self._possible[key]


def _option(problem: Problem, row: Found, chosen: Chosen, soonest: bool) -> SeriesOption:
    deviation, difference, starts = row
    visits = tuple(_visit(problem, index, start, chosen) for index, start in enumerate(starts))
    reasons = (
        *_spacing_reasons(problem, visits),
        *_clock_reasons(problem, visits, difference),
        *(("The soonest first visit among these.",) if soonest else ()),
    )
    return SeriesOption(visits, deviation + difference, reasons)


def _visit(problem: Problem, index: int, start: int, chosen: Chosen) -> VisitOption:
    visit, begin = problem.plan.visits[index], problem.grid.at(start)
    needed = problem.needed[index]
    segments, at = [], begin
    for position, segment in enumerate(visit.segments):
        end = at + timedelta(minutes=segment.minutes)
        serving = tuple(
            PlaceRef(row.kind, chosen[index, number])
            for number, row in enumerate(needed)
            if row.first <= position <= row.last
        )
        segments.append(SegmentOption(segment.key, at, end, serving))
        at = end
    return VisitOption(visit.number, begin, at, tuple(segments))


def _spacing_reasons(problem: Problem, visits: Sequence[VisitOption]) -> list[str]:
    """Say per spacing rule how close it comes to its target, and what a clock change does to it."""
    anchors = planned_anchors(problem.plan, {visit.number: visit.start for visit in visits})
    reasons = []
    for rule in problem.plan.spacings:
        start, passed = anchors[rule.start], elapsed(anchors[rule.start], anchors[rule.end])
        said = f"{hours_words(passed)} from {say_anchor(rule.start)} to {say_anchor(rule.end)}"
        away = abs(passed - rule.target)
        side = "less" if passed < rule.target else "more"
        reasons.append(
            f"{said}, {hours_words(away)} {side} than the target of {hours_words(rule.target)}."
            if away
            else f"{said}, exactly the target."
        )
        shift = describe_shift(start, rule.target, problem.zone)
        if shift is not None:
            reasons.append(shift)
    return reasons


def _clock_reasons(problem: Problem, visits: Sequence[VisitOption], difference: int) -> list[str]:
    if len(visits) < 2 or not problem.preferences.same_clock:
        return []
    times = [clock(visit.start.astimezone(problem.zone)) for visit in visits]
    if not difference:
        return [f"Every visit starts at {times[0]} ({problem.zone.key})."]
    return [f"The visits start at {', '.join(times)} ({problem.zone.key})."]
