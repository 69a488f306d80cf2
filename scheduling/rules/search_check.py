"""An independent second look at a series before it is booked.

Works on plain intervals and shares no computation with the search: no grid, no bitsets. It re-derives what
each place does from the option itself and says everything that is wrong.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations, pairwise

from scheduling.rules.series import PlaceRef, SegmentOption, SeriesOption, VisitOption
from scheduling.rules.spacing import check_spacing, planned_anchors
from scheduling.rules.timeline import Interval, PlaceId, PlaceIntervals
from studylab.studies.rules.protocol import Protocol, Segment, VisitPlan


@dataclass(frozen=True, slots=True)
class PlaceUse:
    """One unbroken use of a place in a visit; `held_until` is its end with the turnaround of the kind."""

    kind: str
    place_id: PlaceId
    segments: tuple[str, ...]
    start: datetime
    end: datetime
    held_until: datetime


def verify_option(
    *,
    plan: Protocol,
    option: SeriesOption,
    places: Mapping[str, Sequence[PlaceIntervals]],
    person_free: Sequence[Interval] | None = None,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
) -> tuple[str, ...]:
    """Return everything wrong with `option` as sentences; empty when it may be booked.

    `places` hold current open and busy times, busy ones with their turnaround; `person_free` are the
    volunteer's own times, None when nothing is known about them. All instants carry a zone.
    """
    if [visit.number for visit in option.visits] != [visit.number for visit in plan.visits]:
        return ("The option does not hold every visit of the protocol, in order.",)
    problems: list[str] = []
    for visit, planned in zip(option.visits, plan.visits, strict=True):
        problems += _shape(visit, planned)
        problems += _limits(visit, person_free, not_before, not_after)
    problems += _order_and_spacing(plan, option)
    uses = [use for visit in option.visits for use in place_uses(visit, plan.turnaround)]
    problems += _places_free(uses, places)
    problems += _own_clashes(uses)
    return tuple(problems)


def _shape(visit: VisitOption, planned: VisitPlan) -> Iterator[str]:
    """Segments as planned, back to back, each with enough distinct places, kept where needs run on."""
    said = f"Visit {visit.number}"
    if [row.key for row in visit.segments] != [row.key for row in planned.segments]:
        yield f"{said} does not have the planned segments."
        return
    at = visit.start
    for row, segment in zip(visit.segments, planned.segments, strict=True):
        if row.start != at or row.end - row.start != timedelta(minutes=segment.minutes):
            yield f"{said}: {segment.name} is not {segment.minutes} minutes right after what precedes."
        at = row.end
        yield from _needs(said, row, segment)
    if at != visit.end:
        yield f"{said} does not end with its last segment."
    for before, after in pairwise(visit.segments):
        yield from _kept(said, before, after)


def _needs(said: str, row: SegmentOption, segment: Segment) -> Iterator[str]:
    wanted: dict[str, int] = {}
    for need in segment.needs:
        wanted[need.kind] = wanted.get(need.kind, 0) + need.count
    for kind in sorted(wanted.keys() | {ref.kind for ref in row.places}):
        if len(_of_kind(row, kind)) != wanted.get(kind, 0):
            yield f"{said}: {segment.name} needs {wanted.get(kind, 0)} of {kind}."
    if len({ref.place_id for ref in row.places}) < len(row.places):
        yield f"{said}: {segment.name} uses one place twice."


def _kept(said: str, before: SegmentOption, after: SegmentOption) -> Iterator[str]:
    for kind in sorted({ref.kind for ref in before.places}):
        old, new = _of_kind(before, kind), _of_kind(after, kind)
        if len(old & new) < min(len(old), len(new)):
            yield f"{said}: {kind} changes between {before.key} and {after.key}, where it runs on."


def _of_kind(row: SegmentOption, kind: str) -> set[PlaceRef]:
    return {ref for ref in row.places if ref.kind == kind}


def _limits(
    visit: VisitOption,
    person_free: Sequence[Interval] | None,
    not_before: datetime | None,
    not_after: datetime | None,
) -> Iterator[str]:
    if not_before is not None and visit.start < not_before:
        yield f"Visit {visit.number} starts before {not_before:%Y-%m-%d %H:%M %Z}."
    if not_after is not None and visit.end > not_after:
        yield f"Visit {visit.number} ends after {not_after:%Y-%m-%d %H:%M %Z}."
    if person_free is not None and not _covered(visit.start, visit.end, person_free):
        yield f"Visit {visit.number} lies outside the volunteer's own times."


def _order_and_spacing(plan: Protocol, option: SeriesOption) -> Iterator[str]:
    for before, after in pairwise(option.visits):
        if after.start < before.end:
            yield f"Visit {after.number} starts before visit {before.number} ends."
    anchors = planned_anchors(plan, {visit.number: visit.start for visit in option.visits})
    for result in check_spacing(plan, anchors):
        if result.verdict != "kept":
            yield result.message


def place_uses(visit: VisitOption, turnaround: Mapping[str, int]) -> tuple[PlaceUse, ...]:
    """Return each unbroken use of a place: back-to-back segments at one place are one.

    These are the rows to book for a visit; `turnaround` gives minutes per resource kind.
    """
    running: dict[PlaceRef, list[SegmentOption]] = {}
    found = []
    for index, row in enumerate(visit.segments):
        following = visit.segments[index + 1].places if index + 1 < len(visit.segments) else ()
        for ref in row.places:
            parts = running.setdefault(ref, [])
            parts.append(row)
            if ref not in following:
                held = row.end + timedelta(minutes=turnaround.get(ref.kind, 0))
                keys = tuple(part.key for part in parts)
                found.append(PlaceUse(ref.kind, ref.place_id, keys, parts[0].start, row.end, held))
                del running[ref]
    return tuple(found)


def _places_free(
    uses: Sequence[PlaceUse], places: Mapping[str, Sequence[PlaceIntervals]]
) -> Iterator[str]:
    for use in uses:
        known = next(
            (row for row in places.get(use.kind, ()) if row.place_id == use.place_id), None
        )
        if known is None:
            yield f"{_say(use)}: there is no such place."
        elif not _covered(use.start, use.held_until, known.open):
            yield f"{_say(use)}: not open throughout, turnaround included."
        elif any(use.start < end and start < use.held_until for start, end in known.busy):
            yield f"{_say(use)}: already taken."


def _say(use: PlaceUse) -> str:
    return f"{use.kind} {use.place_id} from {use.start:%Y-%m-%d %H:%M} to {use.end:%H:%M %Z}"


def _own_clashes(uses: Sequence[PlaceUse]) -> Iterator[str]:
    for one, other in combinations(uses, 2):
        together = one.start < other.held_until and other.start < one.held_until
        if one.place_id == other.place_id and together:
            yield f"{one.kind} {one.place_id} would serve this series twice at {other.start:%H:%M %Z}."


def _covered(start: datetime, end: datetime, free: Sequence[Interval]) -> bool:
    """Whether [start, end) lies inside the union of the free intervals."""
    at = start
    for free_start, free_end in sorted(free):
        if free_start <= at < free_end:
            at = free_end
    return at >= end
