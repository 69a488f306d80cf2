"""Everything the capacity page shows, read in a constant number of queries."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduling.models import Series, Visit
from scheduling.rules.capacity_view import CapacityView, capacity_view
from scheduling.rules.elapsed import local_day_bounds
from scheduling.rules.shares import Share, share
from scheduling.rules.timeline import Grid
from scheduling.selectors.timelines import occupancy
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

CAME = (Visit.State.DONE, Visit.State.STOPPED, Visit.State.RUNNING)
BAR_WIDTH, GAP, HEIGHT, TOP = 56, 20, 160, 24


@dataclass(frozen=True, slots=True)
class Bar:
    """One week of the drawing: the heights of what is booked and free, and where its labels stand."""

    x: int
    middle: int
    booked_y: float
    booked_height: float
    free_y: float
    free_height: float
    label: date
    total: int


@dataclass(frozen=True, slots=True)
class Capacity:
    """The computed view, its drawing, and how often people did not come."""

    view: CapacityView
    bars: list[Bar]
    width: int
    height: int
    base: int
    rate: Share


def capacity_of(study: Study, first: date, last: date, now: datetime) -> Capacity:
    """Return what the local days `first` to `last` hold: series booked, series that still fit, and the bottleneck."""
    plan, zone = current_protocol(study).plan, study.timezone
    start, end = local_day_bounds(first, zone)[0], local_day_bounds(last, zone)[1]
    grid = Grid.covering(start, end)
    kinds = {n.kind for visit in plan.visits for part in visit.segments for n in part.needs}
    places = occupancy(grid.start, grid.end, kinds=kinds, at=now)
    begins = Visit.objects.filter(
        participant__study=study, number=1, series__state=Series.State.OPEN,
        planned__startswith__gte=start, planned__startswith__lt=end,
    ).values_list("planned__startswith", flat=True)  # fmt: skip
    view = capacity_view(
        plan=plan, grid=grid, zone=zone, places=places.places, booked=list(begins), now=now,
        first=first, last=last,
    )  # fmt: skip
    bars, width = _bars(view)
    return Capacity(view, bars, width, HEIGHT + TOP + 28, HEIGHT + TOP, rate_of(study, now))


def rate_of(study: Study, now: datetime) -> Share:
    """Return how many of the visits that were due were missed; cancelled ones were not due."""
    due = Visit.objects.filter(participant__study=study, planned__startswith__lte=now)
    missed = due.filter(state=Visit.State.MISSED).count()
    return share(missed, missed + due.filter(state__in=CAME).count())


def _bars(view: CapacityView) -> tuple[list[Bar], int]:
    most = max([1, *(row.booked + row.free for row in view.weeks)])
    scale, base, bars = HEIGHT / most, HEIGHT + TOP, list[Bar]()
    for place, row in enumerate(view.weeks):
        x = GAP + place * (BAR_WIDTH + GAP)
        booked, free = row.booked * scale, row.free * scale
        bars.append(
            Bar(
                x, x + BAR_WIDTH // 2, base - booked, booked, base - booked - free, free, row.monday,
                row.booked + row.free,
            )
        )  # fmt: skip
    return bars, GAP + len(view.weeks) * (BAR_WIDTH + GAP)


def weeks_ahead(today: date, weeks: int) -> date:
    """Return the last day of so many weeks from today."""
    return today + timedelta(days=7 * weeks - 1)
