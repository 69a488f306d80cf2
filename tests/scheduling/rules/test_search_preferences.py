"""What is preferred comes first, and what would help helps: both against trying everything."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.rules.availability import Times, read_away, say_away
from scheduling.rules.relax import (
    ENOUGH,
    MOST,
    STEP,
    VOLUNTEER,
    later_end,
    longer,
    relaxations,
)
from scheduling.rules.search import count_series, problem_of, search_series
from scheduling.rules.series import Preferences
from scheduling.rules.timeline import Grid, PlaceIntervals, free_bits, timelines
from tests.scheduling.rules.brute_force import all_starts, rank
from tests.scheduling.rules.schedule_examples import protocol, spacing, visit

NINE = datetime(2026, 6, 1, 9, tzinfo=UTC)  # a Monday, 11:00 in Amsterdam
ZONE = "Europe/Amsterdam"
QUARTER = timedelta(minutes=15)


def at(minutes: int) -> datetime:
    return NINE + timedelta(minutes=minutes)


@st.composite
def small(draw):
    """Two visits of a quarter or half an hour with a room and a nurse each; short hours that may not suffice."""
    plan = protocol(
        (visit(1, ("a", draw(st.sampled_from([15, 30])), {"lab": 1, "nurse": 1})),
         visit(2, ("b", draw(st.sampled_from([15, 30])), {"lab": 1, "nurse": 1}))),
        (spacing("visit1.start", "visit2.start", 0.5, 0.75, draw(st.sampled_from([0.75, 1]))),),
    )  # fmt: skip

    def hours():
        start = draw(st.integers(0, 6))
        return ((at(15 * start), at(15 * (start + draw(st.integers(1, 6))))),)

    def taken():
        start = draw(st.integers(0, 8))
        return ((at(15 * start), at(15 * start + 15)),) if draw(st.booleans()) else ()

    places = {
        "lab": (PlaceIntervals("lab1", hours(), taken()),),
        "nurse": tuple(
            PlaceIntervals(f"nurse{n}", hours(), taken()) for n in range(draw(st.integers(1, 2)))
        ),
    }
    return plan, places


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(small())
def test_each_change_is_the_least_that_gives_a_series(instance) -> None:
    plan, places = instance
    whole = (NINE - MOST, at(240) + MOST)
    grid = Grid.covering(*whole)
    own = PlaceIntervals("volunteer", (whole,))
    asked = problem_of(
        plan=plan, grid=grid, places=timelines(grid, places), person_free=-1, zone=ZONE
    )
    if count_series(asked, 1):
        return
    assert not all_starts(plan, places, whole, own.open)
    found = relaxations(asked, places, own, count_series, most=100)
    for row in found:
        assert len(all_starts(plan, given_way(places, row, row.by), whole, own.open)) == row.count
        if row.by is not None and row.by > STEP:
            assert not all_starts(plan, given_way(places, row, row.by - STEP), whole, own.open)
    said = {(row.what, row.side) for row in found}
    for kind in places:  # and nothing that would help is left out
        for side in ("start", "end"):
            more = {**places, kind: tuple(open_longer(p, MOST, side) for p in places[kind])}
            assert bool(all_starts(plan, more, whole, own.open)) == ((kind, side) in said)


def open_longer(place: PlaceIntervals, by: timedelta, side: str) -> PlaceIntervals:
    rows = tuple((a - by, b) if side == "start" else (a, b + by) for a, b in place.open)
    return replace(place, open=rows)


def given_way(places, row, by):
    if by is None:
        extra = PlaceIntervals("extra", tuple(o for p in places[row.what] for o in p.open))
        return {**places, row.what: (*places[row.what], extra)}
    return {**places, row.what: tuple(open_longer(p, by, row.side) for p in places[row.what])}


def test_the_sentence_names_the_hour_the_weekday_and_how_many() -> None:
    """Cover ends at 15:00 on Thursday; the visit needs it until 15:30 or later."""
    thursday = datetime(2026, 6, 4, 6, tzinfo=UTC)  # 08:00 in Amsterdam
    plan = protocol((visit(1, ("a", 60, {"lab": 1, "cover": 1})),))
    day = (thursday, thursday + timedelta(hours=10))
    places = {
        "lab": (PlaceIntervals(1, ((thursday + timedelta(hours=6, minutes=30), day[1]),)),),
        "cover": (PlaceIntervals(2, ((thursday, thursday + timedelta(hours=7)),)),),
    }
    grid = Grid.covering(*day)
    asked = problem_of(plan=plan, grid=grid, places=timelines(grid, places), person_free=-1, zone=ZONE)  # fmt: skip
    found = relaxations(asked, places, PlaceIntervals("v", (day,)), count_series)
    assert "With cover until 15:30 on Thursdays there is 1." in [row.words for row in found]
    assert ("lab", "start", timedelta(minutes=30)) in [(r.what, r.side, r.by) for r in found]


def test_the_volunteers_own_hours_are_tried_and_their_other_visits_stay() -> None:
    plan = protocol((visit(1, ("a", 60, {"lab": 1})),))
    places = {"lab": (PlaceIntervals(1, ((at(0), at(300)),)),)}
    own = PlaceIntervals("v", ((at(0), at(45)),), ((at(75), at(300)),))
    grid = Grid.covering(at(0), at(300))
    asked = problem_of(
        plan=plan, grid=grid, places=timelines(grid, places),
        person_free=free_bits(grid, own.open, own.busy), zone=ZONE,
    )  # fmt: skip
    found = relaxations(asked, places, own, count_series)
    assert [(r.what, r.by, r.count) for r in found] == [(VOLUNTEER, timedelta(minutes=15), 1)]


@pytest.mark.parametrize(("opens_on", "until"), [(3, "Thursday 4 June 2026"), (9, "")])
def test_a_later_last_day_is_the_earliest_that_gives_a_series(opens_on: int, until: str) -> None:
    """Asked for Monday and Tuesday; the room opens on Thursday for an hour: four starts of half an hour."""
    plan = protocol((visit(1, ("a", 30, {"lab": 1})),))
    day = timedelta(days=1)
    midnight = datetime(2026, 5, 31, 22, tzinfo=UTC)  # Monday in Amsterdam
    opened = NINE + opens_on * day
    places = {"lab": (PlaceIntervals(1, ((opened, opened + timedelta(minutes=75)),)),)}
    grid = Grid.covering(midnight, midnight + 7 * day)
    longer = problem_of(plan=plan, grid=grid, places=timelines(grid, places), person_free=-1, zone=ZONE)  # fmt: skip
    found = later_end(longer, midnight + 2 * day, count_series)
    assert [row.words for row in found] == (
        [f"With days until {until} there are 4."] if until else []
    )
    assert [row.by for row in found] == ([2 * day] if until else [])
    assert [row.until for row in found] == ([date(2026, 6, 4)] if until else [])


def test_longer_only_touches_the_chosen() -> None:
    rows = ((at(0), at(60)), (at(120), at(180)))
    assert longer(rows, QUARTER, "end", lambda row: row[0] == at(0)) == ((at(0), at(75)), rows[1])
    assert ENOUGH > 4


@settings(max_examples=60, suppress_health_check=list(HealthCheck))
@given(small(), st.booleans(), st.booleans())
def test_preferred_series_come_first_and_none_is_lost(
    instance, same: bool, some_hours: bool
) -> None:
    """Order: inside the liked hours and one nurse, inside the hours, one nurse, any; then the usual rank."""
    plan, places = instance
    whole = (NINE, at(240))
    liked = ((at(30), at(150)),) if some_hours else (whole,)
    grid = Grid.covering(*whole)
    result = search_series(
        plan=plan, grid=grid, places=timelines(grid, places), person_free=-1, zone=ZONE,
        preferences=Preferences(
            per_day=None, same_kind="nurse" if same else None,
            liked=free_bits(grid, liked) if some_hours else None,
        ),
        limit=10**6,
    )  # fmt: skip
    every = all_starts(plan, places, whole, (whole,))

    def alone(inside) -> set:
        return {
            starts
            for nurse in places["nurse"]
            for starts in all_starts(plan, {**places, "nurse": (nurse,)}, whole, inside)
        }

    pleasant = all_starts(plan, places, whole, liked) if some_hours else set()
    both_ways = alone(liked) if same and some_hours else set()
    one = alone((whole,)) if same else set()

    def order(starts) -> tuple:
        tier = next(
            n for n, group in enumerate((both_ways, pleasant, one, every)) if starts in group
        )
        return (tier, *rank(plan, starts, ZONE))

    got = [tuple(v.start for v in option.visits) for option in result.options]
    assert got == sorted(every, key=order)


def test_times_of_a_volunteer() -> None:
    """Half-days, hours and days away on the local clock, also on the day the clocks go back."""
    start = datetime(2026, 10, 23, 22, tzinfo=UTC)  # Saturday 24 October, midnight in Amsterdam
    times = Times(
        cannot=frozenset({"5 am"}), not_earlier=time(10), not_later=time(17),
        away=((date(2026, 10, 26), date(2026, 10, 27)),),
    )  # fmt: skip
    found = times.possible(ZONE, start, start + timedelta(days=6))
    local = [(a.isoformat(), b.isoformat()) for a, b in found]
    assert local == [
        ("2026-10-24T11:00:00+00:00", "2026-10-24T15:00:00+00:00"),
        ("2026-10-25T09:00:00+00:00", "2026-10-25T16:00:00+00:00"),
        ("2026-10-28T09:00:00+00:00", "2026-10-28T16:00:00+00:00"),
        ("2026-10-29T09:00:00+00:00", "2026-10-29T16:00:00+00:00"),
    ]


def test_days_away_are_read_and_said() -> None:
    read = read_away("2026-12-21 to 2027-01-04, 2026-12-03")
    assert read == ((date(2026, 12, 3),) * 2, (date(2026, 12, 21), date(2027, 1, 4)))
    assert say_away(read) == "2026-12-03, 2026-12-21 to 2027-01-04"


@pytest.mark.parametrize(
    ("text", "said"),
    [("3 December", "not a day"), ("2026-12-04 to 2026-12-01", "ends before"), ("2026-02-30", "not a day")],
)  # fmt: skip
def test_days_away_that_make_no_sense(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_away(text)
