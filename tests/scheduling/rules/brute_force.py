"""Every series there is, found by trying everything. No grid, no bitsets, no search code."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import combinations, pairwise, product
from zoneinfo import ZoneInfo

from scheduling.rules.timeline import Interval, PlaceIntervals
from studylab.studies.rules.protocol import Protocol, Segment, VisitPlan

MINUTE = timedelta(minutes=1)
# (kind, place) pairs of one segment; one such set per segment; and with its start a whole visit.
Serving = frozenset[tuple[str, object]]
Visit = tuple[datetime, tuple[Serving, ...]]


def free(place: PlaceIntervals, start: datetime, end: datetime) -> bool:
    """Look at every minute."""
    at = start
    while at < end:
        if not any(a <= at < b for a, b in place.open):
            return False
        if any(a < at + MINUTE and at < b for a, b in place.busy):
            return False
        at += MINUTE
    return True


def ways_to_serve(
    segment: Segment, places: Mapping[str, Sequence[PlaceIntervals]]
) -> Iterator[Serving]:
    kinds = [
        list(
            combinations(
                [(need.kind, row.place_id) for row in places.get(need.kind, ())], need.count
            )
        )
        for need in segment.needs
    ]
    for picked in product(*kinds):
        yield frozenset(pair for group in picked for pair in group)


def uses(plan: Protocol, visit: VisitPlan, chosen: Visit) -> Iterator[tuple]:
    """Yield (kind, place, start, end with turnaround) of unbroken uses."""
    at, serving = chosen
    open_since: dict[tuple[str, object], datetime] = {}
    for index, segment in enumerate(visit.segments):
        end = at + timedelta(minutes=segment.minutes)
        for pair in serving[index]:
            open_since.setdefault(pair, at)
            if index + 1 == len(visit.segments) or pair not in serving[index + 1]:
                held = end + timedelta(minutes=plan.turnaround.get(pair[0], 0))
                yield pair[0], pair[1], open_since.pop(pair), held
        at = end


def no_double_use(found: Sequence[tuple]) -> bool:
    return all(
        one[:2] != other[:2] or one[3] <= other[2] or other[3] <= one[2]
        for one, other in combinations(found, 2)
    )


def keeps_places(serving: Sequence[Serving]) -> bool:
    """A kind that runs on from one segment to the next keeps as many of its places as it can."""
    for before, after in pairwise(serving):
        for kind in {kind for kind, _ in before}:
            old = {pair for pair in before if pair[0] == kind}
            new = {pair for pair in after if pair[0] == kind}
            if len(old & new) < min(len(old), len(new)):
                return False
    return True


def visit_options(
    plan: Protocol,
    visit: VisitPlan,
    places: Mapping[str, Sequence[PlaceIntervals]],
    starts: Sequence[datetime],
) -> list[Visit]:
    rooms = {(kind, row.place_id): row for kind, rows in places.items() for row in rows}
    servings = [
        row
        for row in product(*(list(ways_to_serve(segment, places)) for segment in visit.segments))
        if keeps_places(row)
    ]
    options = []
    for start, serving in product(starts, servings):
        found = list(uses(plan, visit, (start, serving)))
        if no_double_use(found) and all(free(rooms[u[0], u[1]], u[2], u[3]) for u in found):
            options.append((start, serving))
    return options


def spaced(plan: Protocol, starts: Sequence[datetime]) -> bool:
    ends = [at + timedelta(minutes=v.minutes) for at, v in zip(starts, plan.visits, strict=True)]
    if any(after < before for before, after in zip(ends, starts[1:], strict=False)):
        return False
    anchors = {f"{v.key}.start": at for v, at in zip(plan.visits, starts, strict=True)}
    anchors |= {f"{v.key}.end": at for v, at in zip(plan.visits, ends, strict=True)}
    return all(
        rule.earliest <= anchors[rule.end] - anchors[rule.start] <= rule.latest
        for rule in plan.spacings
    )


def all_starts(
    plan: Protocol,
    places: Mapping[str, Sequence[PlaceIntervals]],
    whole: Interval,
    person: Sequence[Interval],
    raster: int = 15,
) -> set[tuple[datetime, ...]]:
    """Return the start times of every series that exists inside `whole`, visits inside `person` times."""
    slots = [
        whole[0] + i * raster * MINUTE for i in range((whole[1] - whole[0]) // (raster * MINUTE))
    ]
    own = PlaceIntervals("volunteer", tuple(person))
    per_visit = []
    for visit in plan.visits:
        length = timedelta(minutes=visit.minutes)
        starts = [at for at in slots if at + length <= whole[1] and free(own, at, at + length)]
        per_visit.append(visit_options(plan, visit, places, starts))
    found: set[tuple[datetime, ...]] = set()
    for choice in product(*per_visit):
        starts = tuple(start for start, _ in choice)
        if starts not in found and spaced(plan, starts):
            every = [
                use for v, c in zip(plan.visits, choice, strict=True) for use in uses(plan, v, c)
            ]
            if no_double_use(every):
                found.add(starts)
    return found


def rank(
    plan: Protocol, starts: Sequence[datetime], zone: str, *, clock_first: bool = False
) -> tuple:
    """Return (minutes from the targets, minutes between the clock times, starts): the smaller the better.

    The first two change places where one time of day is wanted.
    """
    ends = [at + timedelta(minutes=v.minutes) for at, v in zip(starts, plan.visits, strict=True)]
    anchors = {f"{v.key}.start": at for v, at in zip(plan.visits, starts, strict=True)}
    anchors |= {f"{v.key}.end": at for v, at in zip(plan.visits, ends, strict=True)}
    away = sum(
        abs(anchors[rule.end] - anchors[rule.start] - rule.target) // MINUTE
        for rule in plan.spacings
    )
    local = [at.astimezone(ZoneInfo(zone)) for at in starts]
    clocks = [at.hour * 60 + at.minute for at in local]
    gaps = [abs(clock - clocks[0]) for clock in clocks]
    apart = sum(min(gap, 1440 - gap) for gap in gaps)
    return (apart, away, *starts) if clock_first else (away, apart, *starts)
