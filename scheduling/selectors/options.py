"""Searching for series and moves."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta

from scheduling.models import Series, Visit
from scheduling.rules.availability import Times
from scheduling.rules.elapsed import local_day_bounds
from scheduling.rules.fences import Fence, fence_timelines, fenced, unfenced
from scheduling.rules.gaps import part_of, start_window
from scheduling.rules.openings import both
from scheduling.rules.reasons import Asked, missed_wishes
from scheduling.rules.relax import Relaxation, relaxations
from scheduling.rules.search import (
    Preferences,
    SeriesOption,
    count_series,
    problem_of,
    search_problem,
)
from scheduling.rules.spacing import planned_anchors
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals, free_bits
from scheduling.selectors.series import real_anchors
from scheduling.selectors.timelines import (
    FreePlaces,
    Occupancy,
    free_places,
    occupancy,
    person_busy,
)
from screening.selectors import washouts_of
from screening.selectors.staff_ties import kept_away
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

MANY = 200
FAR = datetime(2200, 1, 1, tzinfo=UTC)
EXPERIMENTER = "experimenter"
DOSE_FENCE = "time for the dose before the sign-off ends"
WASHOUT_FENCE = "time for the dose after the time that a medicine needs"
SPACING_FENCE = "time inside the spacing to the visits that stay"


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

    `asked` says what their order depends on.
    """

    plan: Protocol
    options: tuple[SeriesOption, ...]
    why_none: tuple[str, ...]
    places: Occupancy | FreePlaces
    would_help: tuple[str, ...] = ()
    asked: Asked = field(default_factory=Asked)


def series_options(
    *,
    participant: Participant,
    version: ProtocolVersion,
    wishes: Wishes,
    now: datetime,
    dose_before: datetime,
    limit: int = 12,
) -> Found:
    """Find whole series for a volunteer whose dose must come before `dose_before`.

    It also comes after the time that the medicines on record need.
    """
    plan = plan_of(version)
    fences = list(_dose_fences(plan, participant, now, dose_before))
    return _search(plan, participant, wishes, now, fences, (), limit=limit)


def _dose_fences(
    plan: Protocol, participant: Participant, now: datetime, before: datetime | None
) -> Iterator[Fence]:
    dosing = plan.dosing_visit
    segment = next(step.segment for step in dosing.steps if step.kind == "dose")
    if before is not None:
        yield Fence(DOSE_FENCE, dosing.number, segment, now, before - timedelta(seconds=1))
    waiting = washouts_of(participant, now)
    if waiting:
        yield Fence(WASHOUT_FENCE, dosing.number, segment, waiting[0].earliest, FAR)


def move_options(
    *,
    visit: Visit,
    followers: bool,
    wishes: Wishes,
    now: datetime,
    dose_before: datetime | None = None,
    limit: int = 12,
) -> Found:
    """Find other times for a visit: alone, or with the later visits of its series.

    Visits that stay bound the start, counted from when they really happened where that is known. A dose
    among the moved visits comes before `dose_before`, and after the time that the medicines on record need.
    """
    plan = plan_of(visit.series.protocol_version)
    moved = moved_visits(visit, followers=followers)
    numbers = [row.number for row in moved]
    anchors = {
        name: at
        for name, at in real_anchors(visit.series).items()
        if not any(name.startswith(f"{plan.visit(number).key}.") for number in numbers)
    }
    part = part_of(plan, numbers)
    fences: list[Fence] = []
    if plan.dosing_visit.number in numbers:
        fences += _dose_fences(plan, visit.participant, now, dose_before)
    for number in numbers:
        earliest, latest = _between_neighbours(visit.series, plan, number, numbers)
        low, high = start_window(plan, number, anchors)
        fences.append(
            Fence(
                _fence_name(number, numbers),
                number,
                plan.visit(number).segments[0].key,
                max(earliest, low) if low else earliest,
                min(latest, high) if high else latest,
            )
        )
    ignoring = [row.pk for row in moved]
    # A whole series may go anywhere, so its days are kept varied; what is bound to visits that stay has
    # few choices, and the best of all of them are wanted.
    per_day = 4 if len(moved) == len(plan.visits) else None
    found = _search(
        part, visit.participant, wishes, now, fences, ignoring, limit=MANY, per_day=per_day
    )
    nearest = sorted(
        found.options,
        key=lambda option: (
            *missed_wishes(option, found.asked),
            _off_target(plan, option, anchors),
        ),
    )
    return replace(found, options=tuple(nearest[:limit]))


def _off_target(plan: Protocol, option: SeriesOption, anchors: Mapping[str, datetime]) -> timedelta:
    """Return by how much an option misses the targets of the protocol, visits that stay included."""
    known = dict(anchors) | planned_anchors(plan, {row.number: row.start for row in option.visits})
    return sum(
        (
            abs(known[rule.end] - known[rule.start] - rule.target)
            for rule in plan.spacings
            if rule.start in known and rule.end in known
        ),
        timedelta(0),
    )


def moved_visits(visit: Visit, *, followers: bool) -> list[Visit]:
    """Return the visits a move touches, in order: the visit, and later booked ones when they follow."""
    later = [
        row
        for row in visit.series.visits.all()
        if row.number > visit.number and row.state == Visit.State.BOOKED
    ]
    return [visit, *later] if followers else [visit]


def _fence_name(number: int, numbers: Sequence[int]) -> str:
    return SPACING_FENCE if len(numbers) == 1 else f"{SPACING_FENCE} (visit {number})"


def _between_neighbours(
    series: Series, plan: Protocol, number: int, moved: Sequence[int]
) -> tuple[datetime, datetime]:
    """Return the starts that keep a visit after the end of earlier and before the start of later visits."""
    earliest, latest = datetime(2000, 1, 1, tzinfo=UTC), FAR
    length = timedelta(minutes=plan.visit(number).minutes)
    for row in series.visits.all():
        if row.number in moved or row.state in (Visit.State.CANCELLED, Visit.State.MISSED):
            continue
        if row.number < number:
            earliest = max(earliest, row.ended_at or row.planned.upper)
        elif row.number > number:
            latest = min(latest, row.planned.lower - length)
    return earliest, latest


def _search(
    plan: Protocol,
    participant: Participant,
    wishes: Wishes,
    now: datetime,
    fences: Sequence[Fence],
    ignoring: Sequence[int],
    *,
    limit: int,
    per_day: int | None = 4,
) -> Found:
    zone = participant.study.timezone
    grid = Grid.covering(
        local_day_bounds(wishes.first_day, zone)[0], local_day_bounds(wishes.last_day, zone)[1]
    )
    kinds = {need.kind for visit in plan.visits for row in visit.segments for need in row.needs}
    held_for, away = [participant.pk], kept_away(participant)
    places = free_places(
        grid, kinds=kinds, ignoring=ignoring, at=now, held_for=held_for, without_users=away
    )
    busy = person_busy(participant.person_id, grid.start, grid.end, ignoring=ignoring)
    own = PlaceIntervals("volunteer", wanted_times(wishes, zone, grid), busy)
    liked = liked_times(wishes, zone, grid)
    asked = problem_of(
        plan=fenced(plan, fences),
        grid=grid,
        places={**places.lines} | fence_timelines(plan, grid, fences),
        person_free=free_bits(grid, own.open, own.busy),
        not_before=now,
        zone=zone,
        preferences=Preferences(
            same_clock=wishes.same_clock,
            weekdays=wishes.weekdays,
            per_day=per_day,
            same_kind=EXPERIMENTER if wishes.same_person else None,
            liked=None if liked is None else free_bits(grid, liked),
        ),
    )
    result = search_problem(asked, limit)
    options = tuple(unfenced(option, fences) for option in result.options)
    helps: tuple[Relaxation, ...] = ()
    if not options:  # only now is it worth knowing when each place is open and when it is taken
        whole = occupancy(
            grid.start, grid.end, kinds=kinds, ignoring=ignoring, at=now, held_for=held_for,
            without_users=away,
        )  # fmt: skip
        helps = relaxations(asked, whole.places, own, count_series)
    asked_for = Asked(wishes.same_clock, wishes.same_person, EXPERIMENTER, liked)
    would_help = tuple(row.words for row in helps)
    return Found(plan, options, result.why_none, places, would_help, asked_for)


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
