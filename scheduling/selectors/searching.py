"""One search for a volunteer: what is asked for, what is free, what was found or would help."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from scheduling.rules.availability import Times
from scheduling.rules.elapsed import local_day_bounds
from scheduling.rules.fences import Fence, fence_timelines, fenced, unfenced
from scheduling.rules.openings import both
from scheduling.rules.problem import Problem
from scheduling.rules.reasons import Asked
from scheduling.rules.relax import Relaxation, later_end, relaxations
from scheduling.rules.search import (
    Preferences,
    SeriesOption,
    count_series,
    problem_of,
    search_problem,
)
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals, PlaceTimeline, free_bits
from scheduling.selectors.person_time import person_busy
from scheduling.selectors.timelines import (
    FreePlaces,
    Occupancy,
    free_places,
    occupancy,
)
from screening.selectors.staff_ties import kept_away
from studylab.participants.models import Participant
from studylab.studies.rules.protocol import Protocol

Places = Mapping[str, tuple[PlaceTimeline, ...]]
EXPERIMENTER = "experimenter"
LONGER = timedelta(days=28)  # how much later a last day is tried when nothing is found
MOST_HELP = 4


@dataclass(frozen=True, slots=True)
class Within:
    """Somebody asks for one resource: nothing else of its kind is looked at."""

    kind: str
    resource_id: int


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the search is asked for: local days, both included, weekdays (Monday 0) and times of day.

    `same_clock` puts visits at one time of day before nearness to the targets of the protocol; `same_person`
    puts series with one experimenter throughout first. `times` are the volunteer's standing ones.
    """

    first_day: date
    last_day: date
    weekdays: frozenset[int] | None = None
    not_earlier: time | None = None
    not_later: time | None = None
    same_clock: bool = False
    same_person: bool = False
    times: Times = field(default_factory=Times)


@dataclass(frozen=True, slots=True)
class Found:
    """Options, best first, with the places they were found in; or why there is none, and what would help.

    `asked` says what their order depends on; `until` is the later last day that would help, to search again with.
    """

    plan: Protocol
    options: tuple[SeriesOption, ...]
    why_none: tuple[str, ...]
    places: Occupancy | FreePlaces
    would_help: tuple[str, ...] = ()
    asked: Asked = field(default_factory=Asked)
    until: date | None = None


def search(
    *,
    plan: Protocol,
    participant: Participant,
    wishes: Wishes,
    now: datetime,
    fences: Sequence[Fence],
    ignoring: Sequence[int] = (),
    limit: int,
    per_day: int | None = 4,
    within: Within | None = None,
) -> Found:
    """Search `plan` for a volunteer among what is free at the moment `now`. `ignoring` are visits' ids."""
    zone = participant.study.timezone
    kinds = {need.kind for visit in plan.visits for row in visit.segments for need in row.needs}
    taken: dict[str, Any] = {
        "kinds": kinds, "ignoring": ignoring, "at": now, "held_for": [participant.pk],
        "without_users": kept_away(participant),
    }  # fmt: skip
    grid = _grid(wishes, zone)
    busy = person_busy(participant.person_id, grid.start, grid.end + LONGER, ignoring=ignoring)

    def asked(grid: Grid, lines: Places) -> tuple[Problem, PlaceIntervals]:
        own = PlaceIntervals("volunteer", wanted_times(wishes, zone, grid), busy)
        problem = problem_of(
            plan=fenced(plan, fences),
            grid=grid,
            places={**_narrowed(lines, places, within)} | fence_timelines(plan, grid, fences),
            person_free=free_bits(grid, own.open, own.busy),
            not_before=now,
            zone=zone,
            preferences=_preferences(wishes, zone, grid, per_day),
        )
        return problem, own

    places = free_places(grid, **taken)
    problem, own = asked(grid, places.lines)
    result = search_problem(problem, limit)
    options = tuple(unfenced(option, fences) for option in result.options)
    helps: list[Relaxation] = []
    if not options:  # only now is it worth knowing when each place is open and when it is taken
        longer = Grid.covering(grid.start, grid.end + LONGER)
        whole = occupancy(longer.start, longer.end, **taken)
        later, _ = asked(longer, whole.timelines(longer))
        helps += later_end(later, grid.end, count_series)
        helps += relaxations(problem, whole.places, own, count_series, most=MOST_HELP - len(helps))
    order = Asked(
        wishes.same_clock, wishes.same_person, EXPERIMENTER, liked_times(wishes, zone, grid)
    )
    would_help = tuple(row.words for row in helps)
    until = next((row.until for row in helps if row.until), None)
    return Found(plan, options, result.why_none, places, would_help, order, until)


def _narrowed(lines: Places, known: FreePlaces, within: Within | None) -> Places:
    """Leave out what is of the kind of `within` and something else."""
    if within is None or within.kind not in lines:
        return lines
    mine = [
        row for row in lines[within.kind]
        if known.names[int(row.place_id)].resource_id == within.resource_id
    ]  # fmt: skip
    return {**lines, within.kind: tuple(mine)}


def _grid(wishes: Wishes, zone: str) -> Grid:
    return Grid.covering(
        local_day_bounds(wishes.first_day, zone)[0], local_day_bounds(wishes.last_day, zone)[1]
    )


def _preferences(wishes: Wishes, zone: str, grid: Grid, per_day: int | None) -> Preferences:
    liked = liked_times(wishes, zone, grid)
    return Preferences(
        same_clock=wishes.same_clock,
        weekdays=wishes.weekdays,
        per_day=per_day,
        same_kind=EXPERIMENTER if wishes.same_person else None,
        liked=None if liked is None else free_bits(grid, liked),
    )


def wanted_times(wishes: Wishes, zone: str, grid: Grid) -> tuple[Interval, ...]:
    """Return when the volunteer can be here: their standing times, inside the hours asked for now."""
    if wishes.not_earlier is None and wishes.not_later is None and wishes.times == Times():
        return ((grid.start, grid.end),)
    asked = Times(not_earlier=wishes.not_earlier, not_later=wishes.not_later)
    return both(
        asked.possible(zone, grid.start, grid.end),
        wishes.times.possible(zone, grid.start, grid.end),
    )


def liked_times(wishes: Wishes, zone: str, grid: Grid) -> tuple[Interval, ...] | None:
    """Return when the volunteer likes to come; None when every possible time is as good."""
    if not wishes.times.rather_not:
        return None
    return wishes.times.liked(zone, grid.start, grid.end)
