"""Batches whose best plan is known: booking theory with optima proved elsewhere.

Source: sections 8.1 (I8), 8.2 and 8.3 of the project's check values: instances constructed there, optima by
exhaustive search and by a constraint solver with proof, both agreeing.
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from scheduling.rules.plan_board import Board, first_fit
from tests.scheduling.rules.plan_examples import MONDAY, halves, people, problem, solved, week
from tests.scheduling.rules.schedule_examples import protocol, spacing, three_visits, visit

EXACT = (
    spacing("visit1.start", "visit2.start", 24, 24, 24),
    spacing("visit2.start", "visit3.start", 24, 24, 24),
)
HOUR = (
    spacing("visit1.start", "visit2.start", 23, 24, 25),
    spacing("visit2.start", "visit3.start", 23, 24, 25),
)
HELD = (
    visit(1, ("learning", 60, {"lab": 1})),
    visit(2, ("all", 195, {"lab": 1}), dose="all"),
    visit(3, ("retention", 60, {"lab": 1})),
)
DOSING = (
    visit(1, ("session", 45, {"lab": 1}), ("wait", 90, {}), ("test", 60, {"lab": 1}), dose="wait"),
)
BLOCK = (visit(1, ("all", 195, {"lab": 1}), dose="all"),)


@pytest.mark.parametrize(("rooms", "most"), [(1, 5), (2, 10)])
def test_whole_series_in_a_week_with_the_lab_free_in_the_wait(rooms: int, most: int) -> None:
    plan, last = solved(problem(three_visits(spacings=EXACT), week(rooms), people(12)))
    assert (len(plan.placed), last.bound) == (most, most)


@pytest.mark.parametrize(("rooms", "most"), [(1, 4), (2, 8)])
def test_whole_series_in_a_week_with_the_lab_held(rooms: int, most: int) -> None:
    held = replace(three_visits(spacings=EXACT), visits=HELD)
    plan, last = solved(problem(held, week(rooms), people(12)))
    assert (len(plan.placed), last.bound) == (most, most)


@pytest.mark.parametrize(
    "rules", [EXACT, HOUR], ids=["exactly a day", "a day give or take an hour"]
)
def test_three_days_only(rules: tuple) -> None:
    plan, last = solved(problem(three_visits(spacings=rules), week(1, days=3), people(6)))
    assert (len(plan.placed), last.bound) == (3, 3)


@pytest.mark.parametrize(
    ("visits", "rooms", "most"), [(DOSING, 1, 3), (DOSING, 2, 6), (BLOCK, 1, 2), (BLOCK, 2, 4)]
)
def test_dosing_visits_in_one_day(visits: tuple, rooms: int, most: int) -> None:
    plan, last = solved(problem(protocol(visits), week(rooms, days=1), people(9)))
    assert (len(plan.placed), last.bound) == (most, most)


@pytest.mark.parametrize(
    ("minutes", "most"), [(195, 1), (254, 1), (255, 2), (449, 2), (450, 3), (510, 4), (705, 5)]
)
def test_shortest_day_for_so_many(minutes: int, most: int) -> None:
    """Exact wait, one room. A day one minute shorter holds one fewer."""
    plan, last = solved(problem(protocol(DOSING), week(1, days=1, minutes=minutes), people(8)))
    assert (len(plan.placed), last.bound) == (most, most)


@pytest.mark.parametrize(("places", "most"), [(1, 2), (2, 4)])
def test_half_days_that_all_cover_one_day(places: int, most: int) -> None:
    """I8: visits on three days in a row in the same half-day; every series needs day 3."""
    day = (visit(n, ("hour", 60, {"lab": 1}), dose="hour" if n == 2 else "") for n in (1, 2, 3))
    plan = protocol(tuple(day), EXACT)
    wanted = {
        "A": "1AM 2AM",
        "B": "1AM 1PM",
        "C": "2AM 2PM 3PM",
        "D": "3AM",
        "E": "1PM 3AM",
        "F": "2PM",
    }
    rows = []
    for name, starts in wanted.items():
        free = [
            halves(int(text[0]) + later, text[1:]) for text in starts.split() for later in (0, 1, 2)
        ]
        rows.append(replace(people(1, free=tuple(free))[0], key=name))
    opened = {
        "lab": tuple(
            replace(row, open=tuple(halves(d, h) for d in range(1, 6) for h in ("AM", "PM")))
            for row in week(places)["lab"]
        )
    }
    found, last = solved(problem(plan, opened, rows))
    assert (len(found.placed), last.bound) == (most, most)


def test_the_dose_comes_between_the_washout_and_the_end_of_the_sign_off() -> None:
    """A window of one instant leaves one start: the dose stands 45 minutes after the start."""
    dose = MONDAY + timedelta(days=2, minutes=105)
    bound = people(2, dose_from=dose)
    rows = [replace(row, dose_before=dose + timedelta(minutes=1)) for row in bound]
    asked = problem(three_visits(spacings=EXACT), week(1), rows)
    plan, last = solved(asked)
    assert (len(plan.placed), last.bound) == (1, 1)
    assert asked.grid.at(plan.placed[0].starts[1]) == dose - timedelta(minutes=45)


def test_nobody_is_served_by_a_place_kept_from_them() -> None:
    """Two rooms, and nobody may use the first: the second alone holds two dosing visits in 255 minutes (8.2)."""
    asked = problem(protocol(DOSING), week(2, days=1, minutes=255), people(4, never=(1,)))
    plan, _ = solved(asked, seconds=3)
    assert len(plan.placed) == 2
    assert {place for row in plan.placed for place in row.seats.values()} == {2}


def test_no_more_people_than_there_are() -> None:
    plan, last = solved(problem(three_visits(spacings=EXACT), week(2), people(3)))
    assert (len(plan.placed), last.bound) == (3, 3)


def test_nobody_fits_into_closed_rooms() -> None:
    plan, last = solved(problem(three_visits(), {"lab": ()}, people(2)))
    assert (plan.placed, last.bound) == ((), 0)


def test_first_fit_is_beaten() -> None:
    """Who can always come takes the only hour of who cannot, when one is placed after the other."""
    hour = protocol((visit(1, ("all", 60, {"lab": 1}), dose="all"),))
    early = people(1, free=((MONDAY, MONDAY + timedelta(hours=1)),))
    asked = problem(hour, week(1, days=1, minutes=120), [*people(1), *early])
    plan, last = solved(asked)
    assert (len(first_fit(asked, range(2))), len(plan.placed), last.bound) == (1, 2, 2)


def test_series_already_booked_may_move_but_are_never_dropped() -> None:
    """Two who stand in each other's way as booked: three people fit once both may move, as 8.2 allows."""
    one_day = week(1, days=1, minutes=450)
    asked = problem(protocol(DOSING), one_day, people(3))
    stuck = replace(
        asked.people[0], stays=(asked.grid.floor(asked.grid.start + timedelta(minutes=105)),)
    )
    plan, _ = solved(replace(asked, people=(stuck, *asked.people[1:])))
    assert len(plan.placed) == 3
    assert 0 in {row.person for row in plan.placed}


def test_nobody_moves_without_need() -> None:
    asked = problem(protocol(DOSING), week(2, days=1), people(2))
    stays = (asked.grid.floor(asked.grid.start + timedelta(minutes=105)),)
    asked = replace(asked, people=(replace(asked.people[0], stays=stays), asked.people[1]))
    plan, _ = solved(asked)
    assert next(row for row in plan.placed if row.person == 0).starts == stays


def test_a_board_gives_back_what_it_took() -> None:
    asked = problem(three_visits(), week(1), people(1))
    board = Board(asked)
    before = {kind: dict(rows) for kind, rows in board.free.items()}
    found = board.first(asked.people[0])
    assert found is not None
    board.take(*found)
    assert board.free != before
    board.release(*found)
    assert board.free == before
