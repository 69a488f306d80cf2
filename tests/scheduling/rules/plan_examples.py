"""Batches of volunteers for the planner's tests, and every plan there is, found by trying everything."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from time import monotonic
from typing import Any

from scheduling.rules.plan_build import Candidate, build_problem
from scheduling.rules.plan_problem import Plan, PlanProblem
from scheduling.rules.plan_solve import News, solve
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals

MONDAY = datetime(2026, 6, 1, tzinfo=UTC)  # a zone without clock changes keeps minutes easy to read


def week(rooms: int, *, days: int = 5, minutes: int = 480) -> dict[str, tuple[PlaceIntervals, ...]]:
    """Rooms that are open from midnight for so many minutes on each of the first days."""
    opened = tuple(
        (MONDAY + timedelta(days=day), MONDAY + timedelta(days=day, minutes=minutes))
        for day in range(days)
    )
    return {"lab": tuple(PlaceIntervals(n + 1, opened) for n in range(rooms))}


def people(count: int, *, free: Sequence[Interval] | None = None, **more: Any) -> list[Candidate]:
    always = free or ((MONDAY - timedelta(days=9), MONDAY + timedelta(days=99)),)
    return [
        Candidate(
            **{"key": f"P{n + 1}", "free": always, "liked": always, "dose_before": None, **more}
        )
        for n in range(count)
    ]


def problem(
    plan: Any, places: Mapping[str, Any], who: Sequence[Candidate], *, days: int = 5
) -> PlanProblem:
    grid = Grid.covering(MONDAY, MONDAY + timedelta(days=days))
    return build_problem(
        plan=plan, grid=grid, zone="UTC", places=places, people=who, not_before=MONDAY
    )


def solved(asked: PlanProblem, seconds: float = 20) -> tuple[Plan, News]:
    """Return the plan and the last news."""
    began = monotonic()
    heard: list[News] = []
    plan = solve(
        asked, seconds=seconds, workers=2, stopwatch=lambda: monotonic() - began,
        tell=heard.append,
    )  # fmt: skip
    return plan, heard[-1]


def halves(day: int, half: str) -> Interval:
    """Return a half-day of the first week, counted from day 1."""
    start = MONDAY + timedelta(days=day - 1, hours=0 if half == "AM" else 12)
    return start, start + timedelta(hours=1)


def most_by_trying(
    choices: Sequence[Sequence[Any]], fits: Any, chosen: tuple[Any, ...] = ()
) -> int:
    """Return the most people that can be placed, by trying every choice for everybody."""
    if not choices:
        return 0
    best = most_by_trying(choices[1:], fits, chosen)
    for choice in choices[0]:
        if fits((*chosen, choice)):
            best = max(best, 1 + most_by_trying(choices[1:], fits, (*chosen, choice)))
    return best
