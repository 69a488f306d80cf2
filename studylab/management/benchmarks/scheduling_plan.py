"""How near the planner comes to what is provably possible, against placing one volunteer after the other."""

import json
import random
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from typing import Any

import studylab.studies
from scheduling.rules.openings import Hours, open_between
from scheduling.rules.plan_build import Candidate, build_problem
from scheduling.rules.plan_problem import PlanProblem, problem_as_json
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals
from studylab.management.benchmarks import Line, Measured, benchmark
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Need, Protocol, Segment

DOCUMENT = Path(studylab.studies.__file__).parent / "documents" / "demo.toml"
ZONE = "Europe/Amsterdam"
START = datetime(2026, 5, 31, 22, tzinfo=UTC)  # a Monday of the local clock
FIRST_FIT = "people placed by first-fit, one after the other"
UNIT = "per cent between placed and proved"


@dataclass(frozen=True, slots=True)
class Case:
    """So many volunteers, weeks and rooms, and the seconds the planner has."""

    name: str
    people: int
    weeks: int
    rooms: int
    seconds: int


def _cases(size: int) -> tuple[Case, ...]:
    return (
        Case("scheduling.plan", size, 4, 2, 120),
        Case("scheduling.plan.one_room", size // 3, 4, 1, 60),
        Case("scheduling.plan.room_for_all", size, 8, 3, 15),
    )


@benchmark("scheduling.plan", unit=UNIT, reference=FIRST_FIT, size=120, tiny=6)
def plan_gap(size: int) -> Measured:
    """Plan `size` volunteers into half the room they need, then two easier cases. The ratio is people placed."""
    hard, *others = [_measure(case, tiny=size < 10) for case in _cases(size)]
    return Measured(
        hard[0].value, hard[0].ratio, (*hard[1:], *(line for row in others for line in row))
    )


def _measure(case: Case, *, tiny: bool) -> list[Line]:
    problem = build(case)
    news, took = _run(problem, 2 if tiny else case.seconds)
    placed, bound, first = news["placed"], news["bound"], max(news["first_fit"], 1)
    gap = 100 * (bound - placed) / max(placed, 1)
    return [
        Line(case.name, gap, UNIT, FIRST_FIT, placed / first),
        Line(f"{case.name}.placed", placed, f"people of {case.people}", FIRST_FIT, placed / first),
        Line(f"{case.name}.proved_after", took, "seconds", f"the {case.seconds} s it has", case.seconds / max(took, 0.1)),
    ]  # fmt: skip


def _run(problem: PlanProblem, seconds: int) -> tuple[dict[str, Any], float]:
    """Run the planner's own process; return its last figures and after how long they stood."""
    asked = json.dumps({"problem": problem_as_json(problem), "seconds": seconds, "workers": 2})
    began = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "scheduling.rules.plan_worker"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(asked + "\n")
    process.stdin.close()
    best = {"placed": 0, "bound": len(problem.people), "first_fit": 0}
    stood = 0.0
    for line in process.stdout:
        heard = json.loads(line)
        now = {
            "placed": len(heard["plan"]["placed"]) if heard["plan"] else best["placed"],
            "bound": heard["bound"],
            "first_fit": heard["first_fit"],
        }
        if now != best:
            best, stood = now, time.perf_counter() - began
        if heard["plan"] and best["placed"] >= best["bound"]:
            process.kill()  # nobody more can be placed; what follows only makes times nicer
            break
    process.wait()
    return best, stood


def protocol() -> Protocol:
    """Return a protocol of 60 minutes, 45 + 90 waiting + 60, and 60 in one kind of room, cleaned for 15."""
    plan = load_protocol(DOCUMENT.read_text(encoding="utf-8"))
    room = (Need("lab"),)
    dose = next(step.segment for step in plan.dosing_visit.steps if step.kind == "dose")
    parts = (
        (Segment("a", "Learning", 60, room),),
        (
            Segment("b", "Session", 45, room),
            Segment(dose, "Wait", 90),
            Segment("c", "Test", 60, room),
        ),
        (Segment("d", "Retention", 60, room),),
    )
    visits = tuple(
        replace(visit, segments=rows) for visit, rows in zip(plan.visits, parts, strict=True)
    )
    spacings = tuple(
        replace(
            rule,
            start=f"{plan.visits[n].key}.start",
            end=f"{plan.visits[n + 1].key}.start",
            earliest=timedelta(hours=22),
            target=timedelta(hours=24),
            latest=timedelta(hours=26),
        )
        for n, rule in enumerate(plan.spacings[:2])
    )
    return replace(plan, visits=visits, spacings=spacings, turnaround={"lab": 15})


def build(case: Case) -> PlanProblem:
    """Rooms open on weekdays from 8 to 18. Of the volunteers 60 % can always come, 20 % from ten, 20 % until four;
    three in ten are away for one week."""
    grid = Grid.covering(START, START + timedelta(weeks=case.weeks))
    opened = _hours(grid, 8, 18, range(5))
    rooms = tuple(PlaceIntervals(n + 1, opened) for n in range(case.rooms))
    dice = random.Random(20260601)  # noqa: S311 - the same people in every run, nothing secret
    people = []
    for n in range(case.people):
        chance = dice.random()
        first, last = (0, 24) if chance < 0.6 else (10, 24) if chance < 0.8 else (0, 16)
        free = _hours(grid, first, last, range(7))
        if dice.random() < 0.3:
            away = START + timedelta(weeks=dice.randrange(case.weeks))
            free = tuple(row for row in free if not away <= row[0] < away + timedelta(weeks=1))
        people.append(Candidate(key=f"P{n}", free=free, liked=free, dose_before=None))
    return build_problem(
        plan=protocol(),
        grid=grid,
        zone=ZONE,
        places={"lab": rooms},
        people=people,
        not_before=START,
    )


def _hours(grid: Grid, first: int, last: int, days: range) -> tuple[Interval, ...]:
    closes = clock_time(last) if last < 24 else clock_time.max
    rows = [Hours(day, clock_time(first), closes) for day in days]
    return open_between(rows, ZONE, grid.start, grid.end)
