"""The planner against trying everything, and its independent checker against plans made wrong on purpose."""

from dataclasses import replace
from datetime import timedelta
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.rules.plan_build import Candidate, to_option
from scheduling.rules.plan_check import CheckedRow, check_plan
from scheduling.rules.plan_problem import (
    Plan,
    PlanProblem,
    plan_as_json,
    plan_from_json,
    problem_as_json,
    problem_from_json,
)
from scheduling.rules.timeline import PlaceIntervals
from tests.scheduling.rules.brute_force import free
from tests.scheduling.rules.plan_examples import MONDAY, most_by_trying, problem, solved, week
from tests.scheduling.rules.schedule_examples import protocol, spacing, three_visits, visit

QUARTER = timedelta(minutes=15)


@st.composite
def batches(draw):
    """Two or three people, one or two rooms, some hours of one day; visits of one or two parts."""
    length = draw(st.integers(6, 9)) * 15

    def times(most: int):
        edge = st.integers(0, length // 15 - 1)
        rows = draw(st.lists(st.tuples(edge, st.integers(1, 6)), max_size=most))
        return tuple(
            (
                MONDAY + a * QUARTER,
                min(MONDAY + (a + b) * QUARTER, MONDAY + timedelta(minutes=length)),
            )
            for a, b in rows
        )

    whole = ((MONDAY, MONDAY + timedelta(minutes=length)),)
    parts = draw(st.sampled_from(["one", "wait"]))
    first = visit(1, ("a", 30, {"lab": 1})) if parts == "one" else visit(
        1, ("a", 15, {"lab": 1}), ("w", 15, {}), ("b", 15, {"lab": 1})
    )  # fmt: skip
    visits, rules = (first,), ()
    if draw(st.booleans()):
        visits = (first, visit(2, ("c", 15, {"lab": 1}), dose="c"))
        rules = (
            spacing("visit1.end", "visit2.start", 0, 0.25, draw(st.sampled_from([0.25, 0.5]))),
        )
    else:
        visits = (replace(first, steps=visit(1, ("a", 1, {}), dose="a").steps),)
    plan = protocol(visits, rules, {"lab": draw(st.sampled_from([0, 5, 15]))})
    places = {
        "lab": tuple(
            PlaceIntervals(n + 1, whole, times(1)) for n in range(draw(st.sampled_from([1, 1, 2])))
        )
    }
    who = []
    for n in range(draw(st.integers(2, 3))):
        own = whole if draw(st.booleans()) else times(2)
        who.append(Candidate(key=f"P{n}", free=own, liked=own, dose_before=None))
    return plan, places, who


def series_of(plan, candidate):
    """Yield every pair of starts that keeps the person's own times and the spacing."""
    own = PlaceIntervals("self", tuple(candidate.free))
    slots = [MONDAY + n * QUARTER for n in range(10)]
    for starts in product(slots, repeat=len(plan.visits)):
        ends = [
            at + timedelta(minutes=v.minutes) for at, v in zip(starts, plan.visits, strict=True)
        ]
        inside = all(free(own, a, b) for a, b in zip(starts, ends, strict=True))
        rule = plan.spacings[0] if plan.spacings else None
        if inside and (rule is None or rule.earliest <= starts[1] - ends[0] <= rule.latest):
            yield starts


def can_be_seated(plan, places, chosen) -> bool:
    """Try every room for every use."""
    uses = []
    for starts in chosen:
        for at, v in zip(starts, plan.visits, strict=True):
            for segment in v.segments:
                end = at + timedelta(minutes=segment.minutes)
                if segment.needs:
                    uses.append((at, end + timedelta(minutes=plan.turnaround.get("lab", 0))))
                at = end
    for rooms in product(places["lab"], repeat=len(uses)):
        taken = list(zip(rooms, uses, strict=True))
        clash = any(
            one[0] is other[0] and one[1][0] < other[1][1] and other[1][0] < one[1][1]
            for n, one in enumerate(taken)
            for other in taken[n + 1 :]
        )
        if not clash and all(free(room, a, b) for room, (a, b) in taken):
            return True
    return False


def rows_of(plan, asked: PlanProblem, found: Plan, who) -> list[CheckedRow]:
    return [
        CheckedRow(
            key=who[row.person].key,
            option=to_option(plan, asked, row),
            free=who[row.person].free,
            not_before=MONDAY,
            dose_before=None,
        )
        for row in found.placed
    ]


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(batches())
def test_places_as_many_as_can_be_placed(batch) -> None:
    compare(*batch)


def compare(plan, places, who) -> None:
    """As many are placed as trying everything finds, and no fewer are called possible; the checker agrees."""
    asked = problem(plan, places, who, days=1)
    found, last = solved(asked, seconds=5)
    choices = [list(series_of(plan, row)) for row in who]
    best = most_by_trying(choices, lambda chosen: can_be_seated(plan, places, chosen))
    assert len(found.placed) <= best <= last.bound
    assert len(found.placed) == best
    assert check_plan(plan=plan, rows=rows_of(plan, asked, found, who), places=places) == {}


def test_rooms_that_are_not_equally_free_are_told_apart() -> None:
    """Two uses never outnumber the free rooms here, and still neither room is free for the whole of one of them."""
    first = visit(1, ("a", 30, {"lab": 1}))
    rule = spacing("visit1.end", "visit2.start", 0, 0.25, 0.5)
    plan = protocol((first, visit(2, ("c", 15, {"lab": 1}), dose="c")), (rule,), {"lab": 5})
    whole = ((MONDAY, MONDAY + 7 * QUARTER),)
    taken = ((MONDAY + 4 * QUARTER, MONDAY + 6 * QUARTER),)
    places = {"lab": (PlaceIntervals(1, whole), PlaceIntervals(2, whole, taken))}
    who = [Candidate(key=f"P{n}", free=whole, liked=whole, dose_before=None) for n in range(2)]
    compare(plan, places, who)


def test_a_problem_and_a_plan_survive_the_way_through_json() -> None:
    asked = problem(
        three_visits(),
        week(2),
        [
            Candidate(
                key="P1", free=((MONDAY, MONDAY + timedelta(days=5)),), liked=(), dose_before=None
            )
        ],
    )
    assert problem_from_json(problem_as_json(asked)) == asked
    plan, _ = solved(asked)
    assert plan_from_json(plan_as_json(plan)) == plan


@pytest.fixture(scope="module")
def sound():
    plan, places = three_visits(turnaround={"lab": 15}), week(1)
    always = ((MONDAY, MONDAY + timedelta(days=5)),)
    who = [Candidate(key=f"P{n}", free=always, liked=always, dose_before=None) for n in range(3)]
    asked = problem(plan, places, who)
    found, _ = solved(asked)
    rows = rows_of(plan, asked, found, who)
    assert len(rows) == 3
    assert check_plan(plan=plan, rows=rows, places=places) == {}
    return plan, places, rows


def test_the_checker_sees_two_volunteers_in_one_room(sound) -> None:
    plan, places, rows = sound
    double = [rows[0], replace(rows[1], option=rows[0].option)]
    found = check_plan(plan=plan, rows=double, places=places)
    assert set(found) == {rows[0].key, rows[1].key}
    assert any("at the same time" in line for line in found[rows[1].key])


def test_the_checker_sees_a_room_that_is_taken_or_closed(sound) -> None:
    plan, places, rows = sound
    at = rows[0].option.visits[1].start
    taken = {"lab": tuple(replace(p, busy=((at, at + QUARTER),)) for p in places["lab"])}
    assert rows[0].key in check_plan(plan=plan, rows=rows, places=taken)
    assert set(check_plan(plan=plan, rows=rows, places={"lab": ()})) == {row.key for row in rows}


def test_the_checker_sees_broken_spacing(sound) -> None:
    plan, places, rows = sound
    _, second, third = rows[0].option.visits
    late = replace(rows[0], option=replace(rows[0].option, visits=(second, second, third)))
    assert rows[0].key in check_plan(plan=plan, rows=[late], places=places)


def test_the_checker_sees_somebody_twice_and_a_sign_off_that_ends(sound) -> None:
    plan, places, rows = sound
    assert (
        "more than once"
        in check_plan(plan=plan, rows=[rows[0], rows[0]], places=places)[rows[0].key][0]
    )
    dose = rows[0].option.visits[1].start + timedelta(minutes=45)
    short = replace(rows[0], dose_before=dose)
    assert "sign-off ends" in check_plan(plan=plan, rows=[short], places=places)[rows[0].key][0]
    early = replace(rows[0], dose_from=dose + timedelta(seconds=1))
    assert "medicine" in check_plan(plan=plan, rows=[early], places=places)[rows[0].key][0]
    lasting = replace(rows[0], dose_before=dose + timedelta(seconds=1), dose_from=dose)
    assert check_plan(plan=plan, rows=[lasting], places=places) == {}


def test_the_checker_sees_a_place_that_is_kept_from_somebody(sound) -> None:
    plan, places, rows = sound
    kept = replace(rows[0], never=(1,))
    assert "no such place" in check_plan(plan=plan, rows=[kept], places=places)[rows[0].key][0]


def test_the_checker_sees_times_the_volunteer_cannot(sound) -> None:
    plan, places, rows = sound
    away = replace(rows[0], free=((MONDAY + timedelta(days=3), MONDAY + timedelta(days=5)),))
    assert rows[0].key in check_plan(plan=plan, rows=[away], places=places)
