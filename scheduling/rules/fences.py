"""Bounds on when one segment of one visit may start, told to the search as something it must occupy.

The search knows resources. A bound on a single segment (the dose while the sign-off is valid; a moved
visit inside the spacing to visits that stay) becomes a kind of its own that only exists at the right
times; found series are freed of it again.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from scheduling.rules.series import SeriesOption
from scheduling.rules.timeline import Grid, PlaceTimeline
from studylab.studies.rules.protocol import Need, Protocol, Segment, VisitPlan


@dataclass(frozen=True, slots=True)
class Fence:
    """`segment` of visit `visit` starts in [earliest, latest]; `kind` names the bound in explanations."""

    kind: str
    visit: int
    segment: str
    earliest: datetime
    latest: datetime


def fenced(plan: Protocol, fences: Iterable[Fence]) -> Protocol:
    """Return the plan in which each fenced segment also needs its fence."""
    visits = plan.visits
    for fence in fences:
        visits = tuple(_with_fence(visit, fence) for visit in visits)
    return replace(plan, visits=visits)


def fence_timelines(
    plan: Protocol, grid: Grid, fences: Iterable[Fence]
) -> dict[str, tuple[PlaceTimeline, ...]]:
    """Return, per fence, the one place that is free exactly when the segment may run."""
    found: dict[str, tuple[PlaceTimeline, ...]] = {}
    for fence in fences:
        length = timedelta(minutes=_segment(plan, fence).minutes)
        free = 0
        if fence.earliest <= fence.latest:
            free = grid.inside((fence.earliest, fence.latest + length))
        found[fence.kind] = (PlaceTimeline(fence.kind, free),)
    return found


def unfenced(option: SeriesOption, fences: Sequence[Fence]) -> SeriesOption:
    """Return an option without the places that stood for fences."""
    kinds = {fence.kind for fence in fences}
    visits = tuple(
        replace(
            visit,
            segments=tuple(
                row._replace(places=tuple(ref for ref in row.places if ref.kind not in kinds))
                for row in visit.segments
            ),
        )
        for visit in option.visits
    )
    return replace(option, visits=visits)


def _with_fence(visit: VisitPlan, fence: Fence) -> VisitPlan:
    if visit.number != fence.visit:
        return visit
    segments = tuple(
        replace(row, needs=(*row.needs, Need(fence.kind))) if row.key == fence.segment else row
        for row in visit.segments
    )
    return replace(visit, segments=segments)


def _segment(plan: Protocol, fence: Fence) -> Segment:
    return next(row for row in plan.visit(fence.visit).segments if row.key == fence.segment)
