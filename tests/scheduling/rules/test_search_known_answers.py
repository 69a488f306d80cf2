"""Instances small enough to prove by hand.

Optima: visit 2 of 45 + 90 + 60 minutes in a 480-minute day, and whole series in a five-day week, each
proved by exhaustive search and by an exact solver; here the search is the oracle of a small exhaustive
search, or a published optimal set is booked series by series and one more must not fit.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduling.rules.search import search_series
from scheduling.rules.search_check import verify_option
from scheduling.rules.series import Preferences, SeriesOption
from scheduling.rules.timeline import Grid, PlaceIntervals, free_bits, timelines
from tests.scheduling.rules.schedule_examples import (
    CONSECUTIVE,
    protocol,
    spacing,
    three_visits,
    visit,
)

MONDAY = datetime(2026, 6, 1, 8, tzinfo=UTC)
DAY = timedelta(days=1)
ALL = {"preferences": Preferences(per_day=None), "limit": 10**6, "zone": "UTC"}
FREE_IN_WAIT = visit(1, ("session", 45, {"lab": 1}), ("wait", 90, {}), ("test", 60, {"lab": 1}))
HELD = visit(1, ("session", 45, {"lab": 1}), ("wait", 90, {"lab": 1}), ("test", 60, {"lab": 1}))
EXACT = tuple(replace(rule, earliest=DAY, latest=DAY) for rule in CONSECUTIVE)


def rooms(count: int, days: int = 1, kind: str = "lab") -> dict[str, list[PlaceIntervals]]:
    opened = tuple(
        (MONDAY + i * DAY, MONDAY + i * DAY + timedelta(minutes=480)) for i in range(days)
    )
    return {kind: [PlaceIntervals(f"{kind} {i}", opened) for i in range(count)]}


def book(places: dict[str, list[PlaceIntervals]], option: SeriesOption) -> dict:
    """Return the places with an option's segments as busy times (no turnaround in these instances)."""
    taken: dict[tuple, list] = {}
    for segment in (part for row in option.visits for part in row.segments):
        for ref in segment.places:
            taken.setdefault((ref.kind, ref.place_id), []).append((segment.start, segment.end))
    return {
        kind: [
            replace(row, busy=(*row.busy, *taken.get((kind, row.place_id), ()))) for row in listed
        ]
        for kind, listed in places.items()
    }


def options(plan, places, days: int = 1, person: int = -1, **changes) -> tuple[SeriesOption, ...]:
    grid = Grid.covering(MONDAY, MONDAY + days * DAY)
    found = search_series(
        plan=plan,
        grid=grid,
        places=timelines(grid, places),
        person_free=person,
        **{**ALL, **changes},
    )
    for option in found.options:
        assert verify_option(plan=plan, option=option, places=places) == ()
    return found.options


def starts(option: SeriesOption) -> list[int]:
    """Minutes after 08:00 on Monday."""
    return [(row.start - MONDAY) // timedelta(minutes=1) for row in option.visits]


def most(plan, places, after: int = 0) -> int:
    """The most volunteers who fit, by trying every option in order of start."""
    later = [option for option in options(plan, places) if starts(option)[0] >= after]
    return max(
        (1 + most(plan, book(places, option), starts(option)[0]) for option in later), default=0
    )


def book_all(plan, places, wanted: Sequence[int], days: int = 1, **changes) -> dict:
    """Book series with the wanted first starts, each of which must be on offer."""
    for first in wanted:
        found = options(plan, places, days, **changes)
        places = book(places, next(option for option in found if starts(option)[0] == first))
    return places


@pytest.mark.parametrize(("plan", "optimum"), [(FREE_IN_WAIT, 3), (HELD, 2)])
def test_one_room_holds_as_many_as_proved(plan, optimum) -> None:
    assert most(protocol((plan,)), rooms(1)) == optimum


@pytest.mark.parametrize(
    ("plan", "count", "optimal_set"),
    [
        (FREE_IN_WAIT, 1, [0, 60, 255]),
        (FREE_IN_WAIT, 2, [0, 0, 60, 60, 255, 255]),
        (HELD, 1, [0, 195]),
        (HELD, 2, [0, 0, 195, 195]),
    ],
)
def test_an_optimal_day_can_be_booked_and_nothing_more(plan, count, optimal_set) -> None:
    one_visit = protocol((plan,))
    full = book_all(one_visit, rooms(count), optimal_set)
    assert options(one_visit, full) == ()


def test_the_second_volunteer_uses_the_room_freed_during_the_wait() -> None:
    one_visit = protocol((FREE_IN_WAIT,))
    taken = book_all(one_visit, rooms(1), [0])
    assert starts(options(one_visit, taken)[0]) == [
        60
    ]  # 0-45 and 135-195 are taken: 60-105, 195-255
    assert [starts(row) for row in options(one_visit, book_all(one_visit, taken, [60]))] == [
        [255], [270], [285],
    ]  # fmt: skip


def test_a_dosing_place_for_one_and_a_wait_from_the_end_of_the_dose() -> None:
    plan = visit(
        1, ("session", 45, {"lab": 1}), ("dose", 10, {"hatch": 1}), ("wait", 90, {}), ("test", 60, {"lab": 1})
    )  # fmt: skip
    one_visit = protocol((plan,))
    two_rooms = rooms(2) | rooms(1, kind="hatch")
    full = book_all(one_visit, two_rooms, [0, 10, 60, 70, 265, 275], raster_minutes=5)
    assert options(one_visit, full, raster_minutes=5) == ()


@pytest.mark.parametrize("count", [1, 2])
def test_a_week_of_series_with_the_room_free_in_the_wait(count) -> None:
    """Mon 0, 210, 270 and Wed 90, 150 at exactly 24 h: 5 with one room, 10 with two, and no more."""
    plan = three_visits(spacings=EXACT)
    week = [0, 210, 270, 2 * 1440 + 90, 2 * 1440 + 150] * count
    full = book_all(plan, rooms(count, days=5), week, days=5)
    assert options(plan, full, days=5) == ()


def test_half_day_series_that_all_cover_day_three() -> None:
    """Six volunteers, visits on three days in a row at one half-day: 2 fit with one place, 4 with two."""
    half = {"AM": timedelta(0), "PM": timedelta(hours=4)}
    wishes = ["1AM 2AM", "1AM 1PM", "2AM 2PM 3PM", "3AM", "1PM 3AM", "2PM"]
    visits = tuple(visit(i, ("half day", 240, {"place": 1})) for i in (1, 2, 3))
    plan = protocol(visits, EXACT)
    grid = Grid.covering(MONDAY, MONDAY + 5 * DAY)

    def own_times(wish: str) -> int:
        rows = []
        for first in wish.split():
            begin = MONDAY + (int(first[0]) - 1) * DAY + half[first[1:]]
            rows += [(begin + i * DAY, begin + i * DAY + timedelta(hours=4)) for i in range(3)]
        return free_bits(grid, rows)

    def placed(places, people) -> int:
        if not people:
            return 0
        best = placed(places, people[1:])
        for option in options(plan, places, 5, own_times(people[0]), raster_minutes=240):
            best = max(best, 1 + placed(book(places, option), people[1:]))
        return best

    def half_days(count: int) -> dict:
        return rooms(count, days=5, kind="place")

    assert placed(half_days(1), wishes) == 2
    assert placed(half_days(2), wishes) == 4


def test_matching_people_to_single_slots() -> None:
    """P1 slots 1,2; P2 1; P3 1,3; P4 3; P5 2,3,4: four of five, since P1 to P4 see only three slots."""
    plan = protocol((visit(1, ("slot", 60, {"lab": 1})),))
    grid = Grid.covering(MONDAY, MONDAY + DAY)
    wishes = [(1, 2), (1,), (1, 3), (3,), (2, 3, 4)]

    def hour(count: int):
        return MONDAY + timedelta(hours=count - 1), MONDAY + timedelta(hours=count)

    def placed(places, people) -> int:
        if not people:
            return 0
        own = free_bits(grid, [hour(slot) for slot in people[0]])
        found = options(plan, places, 1, own, raster_minutes=60)
        return max(
            [placed(places, people[1:])]
            + [1 + placed(book(places, option), people[1:]) for option in found]
        )

    assert placed(rooms(1), wishes) == 4
    assert placed(rooms(1), wishes[:4]) == 3


def test_the_same_room_is_kept_where_the_need_runs_on() -> None:
    """Two rooms with half the visit free each cannot serve a need that runs on."""
    plan = protocol((visit(1, ("first", 60, {"lab": 1}), ("second", 60, {"lab": 1})),))
    end = MONDAY + timedelta(minutes=60)
    halves = {
        "lab": [
            PlaceIntervals("A", ((MONDAY, end),)),
            PlaceIntervals("B", ((end, MONDAY + timedelta(minutes=120)),)),
        ]
    }
    assert options(plan, halves) == ()


def test_turnaround_follows_a_run_but_not_each_segment() -> None:
    segments = (("first", 30, {"lab": 1}), ("second", 30, {"lab": 1}))
    plan = protocol((visit(1, *segments),), turnaround={"lab": 15})
    opened = {"lab": [PlaceIntervals("A", ((MONDAY, MONDAY + timedelta(minutes=75)),))]}
    assert [starts(row) for row in options(plan, opened)] == [[0]]
    shorter = {"lab": [PlaceIntervals("A", ((MONDAY, MONDAY + timedelta(minutes=70)),))]}
    assert options(plan, shorter) == ()


def test_neighbours_without_a_rule_are_put_close_together() -> None:
    visits = (visit(1, ("a", 60, {"lab": 1})), visit(2, ("b", 60, {"lab": 1})))
    best = options(protocol(visits), rooms(1, days=2), days=2)[0]
    assert starts(best) == [0, 60]
    assert best.score == 60  # visit 2 an hour after visit 1 on the clock; the gap itself is nil


def test_a_rule_from_the_dose() -> None:
    visits = (
        visit(1, ("session", 45, {"lab": 1}), ("dose", 5, {}), ("wait", 90, {}), dose="dose"),
        visit(2, ("retention", 60, {"lab": 1})),
    )
    plan = protocol(visits, (spacing("visit1.dose", "visit2.start", 24, 24, 24.5),))
    best = options(plan, rooms(1, days=2), days=2)[0]
    assert starts(best) == [0, 1440 + 45]
