"""Visits as a timeline: where bars and marks stand. Horizontal positions count from 0 to `WIDTH`."""

from dataclasses import dataclass
from datetime import timedelta

from studylab.studies.rules.protocol import Protocol, Segment, VisitPlan

WIDTH = 960.0
LEFT = 20.0  # room for labels that stick out


@dataclass(frozen=True, slots=True)
class Bar:
    """One segment: its number within the visit, and its place."""

    number: int
    segment: Segment
    start: int  # minutes after the planned start of the visit
    x: float
    width: float
    middle: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A tick with its text."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit drawn to scale; all visits share one scale. `dose` and `wait` on the dosing visit only."""

    visit: VisitPlan
    bars: tuple[Bar, ...]
    hours: tuple[Mark, ...]
    dose: float | None
    wait_width: float


@dataclass(frozen=True, slots=True)
class DayBar:
    """One visit on the line of days: the planned place, and how early or late its start may be."""

    visit: VisitPlan
    x: float
    width: float
    earliest: float
    latest: float
    may_move: bool
    text: str


def visit_lines(plan: Protocol) -> list[VisitLine]:
    """Return every visit to one scale: the longest fills the width."""
    scale = (WIDTH - 2 * LEFT) / max(visit.minutes for visit in plan.visits)
    return [_line(plan, visit, scale) for visit in plan.visits]


def _line(plan: Protocol, visit: VisitPlan, scale: float) -> VisitLine:
    bars, start = [], 0
    for number, segment in enumerate(visit.segments, 1):
        x, width = LEFT + start * scale, segment.minutes * scale
        bars.append(Bar(number, segment, start, _r(x), _r(width), _r(x + width / 2)))
        start += segment.minutes
    hours = tuple(
        Mark(_r(LEFT + minutes * scale), f"{minutes // 60} h")
        for minutes in range(0, visit.minutes + 1, 60)
    )
    dose = visit.planned_dose_minutes
    wait = plan.dose_wait.length / timedelta(minutes=1) if dose is not None else 0
    return VisitLine(
        visit,
        tuple(bars),
        hours,
        None if dose is None else _r(LEFT + dose * scale),
        _r(wait * scale),
    )


def day_bars(plan: Protocol) -> list[DayBar]:
    """Return the visits on one line of hours, each where its target spacing puts it."""
    starts: dict[str, float] = {plan.visits[0].key: 0.0}
    slack: dict[str, tuple[float, float]] = {}
    for visit in plan.visits[1:]:
        starts[visit.key], slack[visit.key] = _placed(plan, visit, starts)
    end = max(starts[visit.key] + visit.minutes / 60 for visit in plan.visits)
    end = max([end, *(starts[key] + late for key, (_early, late) in slack.items())])
    scale = (WIDTH - 2 * LEFT) / end
    bars = []
    for visit in plan.visits:
        at, (early, late) = starts[visit.key], slack.get(visit.key, (0.0, 0.0))
        bars.append(
            DayBar(
                visit,
                _r(LEFT + at * scale),
                _r(max(6.0, visit.minutes / 60 * scale)),
                _r(LEFT + (at - early) * scale),
                _r(LEFT + (at + late) * scale),
                early > 0 or late > 0,
                _in_words(at),
            )
        )
    return bars


def _placed(
    plan: Protocol, visit: VisitPlan, starts: dict[str, float]
) -> tuple[float, tuple[float, float]]:
    """Return the planned start of a visit in hours, and how much earlier and later it may be."""
    for spacing in plan.spacings:
        from_key, _, from_point = spacing.start.partition(".")
        to_key, _, to_point = spacing.end.partition(".")
        if to_key != visit.key or from_key not in starts:
            continue
        base = starts[from_key] + _offset(plan, from_key, from_point)
        at = base + _hours(spacing.target) - _offset(plan, to_key, to_point)
        early, late = spacing.target - spacing.earliest, spacing.latest - spacing.target
        return at, (_hours(early), _hours(late))
    return max(starts.values()) + 24.0, (0.0, 0.0)


def _offset(plan: Protocol, key: str, point: str) -> float:
    visit = next(visit for visit in plan.visits if visit.key == key)
    if point == "end":
        return visit.minutes / 60
    if point == "dose":
        return (visit.planned_dose_minutes or 0) / 60
    return 0.0


def _hours(span: timedelta) -> float:
    return span / timedelta(hours=1)


def _r(value: float) -> float:
    return round(value, 2)


def _in_words(at: float) -> str:
    """Return a number of hours in hours and minutes."""
    hours, minutes = divmod(round(at * 60), 60)
    return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
