"""Repairing booked visits whose places are no longer open: other places at the same time, else another time.

For all of them at once, the soonest first: first every visit that can keep its time, so that nobody is moved
who need not be, then the smallest move that the protocol's spacing allows. What finds neither needs a call.
Nothing here books: each repair is looked at by the independent checker when it is written.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import Zone
from scheduling.rules.fences import Fence, fence_timelines, fenced, unfenced
from scheduling.rules.gaps import part_of, start_window
from scheduling.rules.problem import Problem
from scheduling.rules.repair_board import RepairBoard
from scheduling.rules.search import SeriesOption, VisitOption, problem_of, search_problem
from scheduling.rules.series import Preferences
from scheduling.rules.spacing import planned_anchors
from scheduling.rules.timeline import Interval, PlaceId, free_bits
from studylab.studies.rules.protocol import Protocol

MANY = 200
FAR_PAST, FAR = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
# How far from its booked time a visit is looked for, the nearest first.
RADII = tuple(timedelta(hours=hours) for hours in (1, 3, 6, 12, 24, 48, 168, 336))
Kind = Literal["place", "time", "call"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One series with booked visits that cannot stay as they are.

    `visits` are all of its visits to come as booked, `hit` the numbers of those that must change. `anchors` are
    moments of the visits that are over, `after` the end of the last of them. `free` are the volunteer's own
    times, less their other visits. The dose comes in [`dose_from`, `dose_before`); places in `never` do not
    serve them.
    """

    key: str
    plan: Protocol
    visits: tuple[VisitOption, ...]
    hit: frozenset[int]
    anchors: Mapping[str, datetime]
    after: datetime
    free: Sequence[Interval]
    dose_from: datetime | None = None
    dose_before: datetime | None = None
    never: tuple[PlaceId, ...] = ()


@dataclass(frozen=True, slots=True)
class Repair:
    """What is proposed for a case: visits with new places ("place"), new times ("time"), or a call and why."""

    key: str
    kind: Kind
    option: SeriesOption | None
    why: tuple[str, ...] = ()


def repairs(
    cases: Sequence[Case], board: RepairBoard, *, zone: Zone, now: datetime
) -> tuple[Repair, ...]:
    """Return one repair per case, in the order of the cases; `board` ends up as it would be afterwards."""
    order = sorted(cases, key=lambda case: (case.visits[0].start, case.key))
    found: dict[str, Repair] = {}
    for case in order:
        option = same_time(case, board, zone=zone, now=now)
        if option is not None:
            board.put(_old(case, option), option.visits)
            found[case.key] = Repair(case.key, "place", option)
    for case in order:
        if case.key not in found:
            found[case.key] = _move(case, board, zone, now)
    return tuple(found[case.key] for case in cases)


def same_time(case: Case, board: RepairBoard, *, zone: Zone, now: datetime) -> SeriesOption | None:
    """Return the hit visits at their own times with other places, or None. The rest of a visit stays where it is."""
    if any(visit.start < now for visit in case.visits if visit.number in case.hit):
        return None
    found: list[VisitOption] = []
    for visit in case.visits:
        if visit.number not in case.hit:
            found.append(visit)
            continue
        fences = [_at(case, visit.number, visit.start, visit.start)]
        agreed = replace(
            case, free=((FAR_PAST, FAR),)
        )  # the volunteer said yes to this time already
        row = _search(agreed, [visit], board, fences, zone, now, raster=5, limit=1)
        if not row:
            return None
        found.append(row[0].visits[0])
    first = min(case.hit)
    if len(case.hit) == 1:
        return SeriesOption(tuple(row for row in found if row.number == first), 0)
    return SeriesOption(tuple(row for row in found if row.number >= first), 0)


def nearest_times(
    case: Case,
    board: RepairBoard,
    *,
    zone: Zone,
    now: datetime,
    at: datetime | None = None,
) -> tuple[SeriesOption | None, tuple[str, ...]]:
    """Return the smallest move of the first hit visit: alone, with the later ones, or of all that is to come.

    What moves the fewest visits is taken, however small a move of more of them would be; else why there is none.
    With `at` the first hit visit begins exactly then.
    """
    first = min(case.hit)
    later = [visit for visit in case.visits if visit.number >= first]
    ways: list[list[VisitOption]] = (
        [later[:1], later] if len(case.hit) == 1 and len(later) > 1 else [later]
    )
    if case.visits[0].number < first:
        ways.append(list(case.visits))
    why: tuple[str, ...] = ()
    for visits in ways:
        for radius in (timedelta(0),) if at is not None and len(visits) == 1 else RADII:
            fences = list(_fences(case, visits, radius, at))
            options = _search(
                case, visits, board, fences, zone, now, raster=5 if at else 15, limit=MANY
            )
            if options:
                return min(options, key=lambda option: _distance(option, visits)), ()
        why = _why_none(case, visits, board, fences, zone, now)
    return None, why


def _move(case: Case, board: RepairBoard, zone: Zone, now: datetime) -> Repair:
    option, why = nearest_times(case, board, zone=zone, now=now)
    if option is None:
        return Repair(case.key, "call", None, why)
    board.put(_old(case, option), option.visits)
    return Repair(case.key, "time", option)


def _old(case: Case, option: SeriesOption) -> list[VisitOption]:
    numbers = {row.number for row in option.visits}
    return [visit for visit in case.visits if visit.number in numbers]


def _distance(option: SeriesOption, visits: Sequence[VisitOption]) -> tuple[timedelta, datetime]:
    away = sum(
        (abs(new.start - old.start) for new, old in zip(option.visits, visits, strict=True)),
        timedelta(0),
    )
    return away, option.visits[0].start


def _fences(
    case: Case, visits: Sequence[VisitOption], radius: timedelta, at: datetime | None
) -> Iterator[Fence]:
    """Bound every visit that moves: near its booked time, inside the spacing to those that stay, in order."""
    numbers = [visit.number for visit in visits]
    stay = [visit for visit in case.visits if visit.number not in numbers]
    anchors = dict(case.anchors)
    for visit in stay:
        anchors |= planned_anchors(case.plan, {visit.number: visit.start})
    for visit in visits:
        low, high = start_window(case.plan, visit.number, anchors)
        length = visit.end - visit.start
        earliest = max(
            visit.start - radius, low or FAR_PAST, case.after,
            *(row.end for row in stay if row.number < visit.number),
        )  # fmt: skip
        latest = min(
            visit.start + radius, high or FAR,
            *(row.start - length for row in stay if row.number > visit.number),
        )  # fmt: skip
        if at is not None and visit is visits[0]:
            earliest, latest = max(earliest, at), at if (high is None or at <= high) else FAR_PAST
        yield _at(case, visit.number, earliest, latest)
    dose = _dose_fence(case, numbers)
    if dose is not None:
        yield dose


def _dose_fence(case: Case, numbers: Sequence[int]) -> Fence | None:
    dosing = case.plan.dosing_visit
    if dosing.number not in numbers or (case.dose_from is None and case.dose_before is None):
        return None
    segment = next(step.segment for step in dosing.steps if step.kind == "dose")
    before = case.dose_before - timedelta(seconds=1) if case.dose_before else FAR
    return Fence("time at which the dose may be given", dosing.number, segment,
                 case.dose_from or FAR_PAST, before)  # fmt: skip


def _at(case: Case, number: int, earliest: datetime, latest: datetime) -> Fence:
    key = case.plan.visit(number).segments[0].key
    return Fence(f"time inside the spacing for visit {number}", number, key, earliest, latest)


def _search(
    case: Case,
    visits: Sequence[VisitOption],
    board: RepairBoard,
    fences: Sequence[Fence],
    zone: Zone,
    now: datetime,
    *,
    raster: int,
    limit: int,
) -> list[SeriesOption]:
    problem = _problem(case, visits, board, fences, zone, now, raster)
    return [unfenced(option, fences) for option in search_problem(problem, limit).options]


def _aimed(part: Protocol, visits: Sequence[VisitOption], fences: Sequence[Fence]) -> Protocol:
    """Return the plan aiming at the gaps that bring every visit back to its booked start.

    A first visit that a fence holds at one moment counts from there; the windows stay as they are.
    """
    starts = {visit.number: visit.start for visit in visits}
    starts |= {row.visit: row.earliest for row in fences if row.earliest == row.latest}
    anchors = planned_anchors(part, starts)
    rules = []
    for rule in part.spacings:
        gap = anchors[rule.end] - anchors[rule.start]
        rules.append(replace(rule, target=min(max(gap, rule.earliest), rule.latest)))
    return replace(part, spacings=tuple(rules))


def _why_none(
    case: Case,
    visits: Sequence[VisitOption],
    board: RepairBoard,
    fences: Sequence[Fence],
    zone: Zone,
    now: datetime,
) -> tuple[str, ...]:
    return search_problem(_problem(case, visits, board, fences, zone, now, 15), 1).why_none


def _problem(
    case: Case,
    visits: Sequence[VisitOption],
    board: RepairBoard,
    fences: Sequence[Fence],
    zone: Zone,
    now: datetime,
    raster: int,
) -> Problem:
    part = _aimed(part_of(case.plan, [visit.number for visit in visits]), visits, fences)
    had = [ref.place_id for visit in visits for row in visit.segments for ref in row.places]
    return problem_of(
        plan=fenced(part, fences),
        grid=board.grid,
        places={**board.lines(visits, case.never, had)} | fence_timelines(part, board.grid, fences),
        person_free=free_bits(board.grid, case.free),
        not_before=now,
        zone=zone,
        preferences=Preferences(same_clock=False, per_day=None),
        raster_minutes=raster,
    )
