"""From an option of the search to what is written down: windows between visits and uses of places.

Spacing rules join moments (a start, a dose); rows in the database join planned starts. Here the first
become the second, in elapsed time.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from scheduling.rules.elapsed import to_utc
from scheduling.rules.series import PlaceRef, VisitOption
from scheduling.rules.spacing import anchor_offset, split_anchor
from scheduling.rules.timeline import Interval
from studylab.studies.rules.protocol import Protocol, Spacing


@dataclass(frozen=True, slots=True)
class Gap:
    """The planned start of a visit lies `earliest` to `latest` after the planned start of visit `anchor`."""

    anchor: int
    earliest: timedelta
    latest: timedelta
    rule: Spacing


@dataclass(frozen=True, slots=True)
class Use:
    """One unbroken use of a place by a visit; `blocked_until` is the end plus turnaround."""

    ref: PlaceRef
    segments: tuple[str, ...]
    start: datetime
    end: datetime
    blocked_until: datetime


def gap_of(plan: Protocol, number: int) -> Gap | None:
    """Return the window of visit `number` after the nearest visit a rule ties it to; None when none does."""
    rules = [
        rule for rule in plan.spacings
        if visit_of(plan, rule.end) == number != visit_of(plan, rule.start)
    ]  # fmt: skip
    if not rules:
        return None
    rule = max(rules, key=lambda row: (visit_of(plan, row.start), row.earliest - row.latest))
    ahead = offset_of(plan, rule.start) - offset_of(plan, rule.end)
    return Gap(visit_of(plan, rule.start), rule.earliest + ahead, rule.latest + ahead, rule)


def gap_from_real(gap: Gap, anchor_ran_late: timedelta) -> Gap:
    """Return the gap counted from when the anchor really happened, so much later than planned."""
    return replace(
        gap, earliest=gap.earliest + anchor_ran_late, latest=gap.latest + anchor_ran_late
    )


def start_window(
    plan: Protocol, number: int, anchors: Mapping[str, datetime]
) -> tuple[datetime | None, datetime | None]:
    """Return the earliest and latest start of visit `number` that every rule to a known anchor allows.

    `anchors` are moments of visits that stay where they are; None where nothing bounds that side.
    """
    earliest: list[datetime] = []
    latest: list[datetime] = []
    for rule in plan.spacings:
        low, high = _bounds(plan, number, rule, anchors)
        earliest += [low] if low else []
        latest += [high] if high else []
    return max(earliest, default=None), min(latest, default=None)


def _bounds(
    plan: Protocol, number: int, rule: Spacing, anchors: Mapping[str, datetime]
) -> tuple[datetime | None, datetime | None]:
    first, second = visit_of(plan, rule.start), visit_of(plan, rule.end)
    if second == number != first and rule.start in anchors:
        own = offset_of(plan, rule.end)
        base = to_utc(anchors[rule.start]) - own
        return base + rule.earliest, base + rule.latest
    if first == number != second and rule.end in anchors:
        own = offset_of(plan, rule.start)
        base = to_utc(anchors[rule.end]) - own
        return base - rule.latest, base - rule.earliest
    return None, None


def part_of(plan: Protocol, numbers: Iterable[int]) -> Protocol:
    """Return the plan with these visits only, and the rules between them."""
    kept = set(numbers)
    return replace(
        plan,
        visits=tuple(visit for visit in plan.visits if visit.number in kept),
        spacings=tuple(
            rule
            for rule in plan.spacings
            if {visit_of(plan, rule.start), visit_of(plan, rule.end)} <= kept
        ),
    )


def visit_of(plan: Protocol, anchor: str) -> int:
    """Return the number of the visit that an anchor names."""
    key, _ = split_anchor(anchor)
    return next(visit.number for visit in plan.visits if visit.key == key)


def offset_of(plan: Protocol, anchor: str) -> timedelta:
    """Return the planned time from the start of an anchor's visit to the anchor."""
    _, moment = split_anchor(anchor)
    return anchor_offset(plan.visit(visit_of(plan, anchor)), moment)


def uses(visit: VisitOption, turnaround: Mapping[str, int]) -> tuple[Use, ...]:
    """Return each unbroken use of a place: segments in a row at one place are one use."""
    found: list[Use] = []
    running: dict[PlaceRef, Use] = {}
    for row in visit.segments:
        running = {ref: use for ref, use in running.items() if ref in row.places}
        for ref in row.places:
            held = row.end + timedelta(minutes=turnaround.get(ref.kind, 0))
            before = running.get(ref)
            keys = (*before.segments, row.key) if before else (row.key,)
            start = before.start if before else row.start
            use = Use(ref, keys, start, row.end, held)
            if before:
                found.remove(before)
            found.append(use)
            running[ref] = use
    return tuple(found)


def overlap(one: Interval, other: Interval) -> bool:
    """Whether two half-open intervals share time."""
    return one[0] < other[1] and other[0] < one[1]
