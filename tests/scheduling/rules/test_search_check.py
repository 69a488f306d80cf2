"""The checker before booking: a good option passes, and each single fault is named."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduling.rules.search import search_series
from scheduling.rules.search_check import place_uses, verify_option
from scheduling.rules.series import PlaceRef, SeriesOption
from scheduling.rules.timeline import Grid, PlaceIntervals, timelines
from tests.scheduling.rules.schedule_examples import CONSECUTIVE, protocol, three_visits, visit

MONDAY = datetime(2026, 6, 1, tzinfo=UTC)
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
OPEN = tuple((MONDAY + i * DAY + 7 * HOUR, MONDAY + i * DAY + 15 * HOUR) for i in range(5))
LABS = {"lab": [PlaceIntervals("A", OPEN), PlaceIntervals("B", OPEN)]}
PLAN = three_visits(turnaround={"lab": 15})
GRID = Grid.covering(MONDAY, MONDAY + 7 * DAY)


def good() -> SeriesOption:
    return search_series(
        plan=PLAN, grid=GRID, places=timelines(GRID, LABS), person_free=-1, zone="UTC", limit=1
    ).options[0]


def problems(option: SeriesOption, **changes) -> str:
    return " ".join(verify_option(**{"plan": PLAN, "option": option, "places": LABS} | changes))


def with_visit(index: int, **changes) -> SeriesOption:
    option = good()
    visits = list(option.visits)
    visits[index] = replace(visits[index], **changes)
    return replace(option, visits=tuple(visits))


def with_segment(index: int, segment: int, **changes) -> SeriesOption:
    segments = list(good().visits[index].segments)
    segments[segment] = segments[segment]._replace(**changes)
    return with_visit(index, segments=tuple(segments))


def moved(index: int, by: timedelta) -> SeriesOption:
    visit = good().visits[index]
    segments = tuple(row._replace(start=row.start + by, end=row.end + by) for row in visit.segments)
    return with_visit(index, start=visit.start + by, end=visit.end + by, segments=segments)


def test_a_found_option_passes() -> None:
    assert problems(good()) == ""


@pytest.mark.parametrize(
    ("option", "message"),
    [
        (lambda: replace(good(), visits=good().visits[:2]), "does not hold every visit"),
        (lambda: with_visit(0, segments=()), "does not have the planned segments"),
        (lambda: with_visit(0, end=MONDAY + 9 * HOUR), "does not end with its last segment"),
        (lambda: with_segment(1, 1, start=MONDAY), "not 90 minutes right after"),
        (lambda: with_segment(1, 0, places=()), "needs 1 of lab"),
        (lambda: with_segment(1, 1, places=(PlaceRef("lab", "B"),)), "needs 0 of lab"),
        (lambda: with_segment(0, 0, places=(PlaceRef("lab", "Z"),)), "there is no such place"),
        (lambda: moved(1, 3 * HOUR), "1 h too late"),
        (lambda: moved(1, -3 * HOUR), "1 h too early"),
        (lambda: moved(0, -HOUR), "not open throughout"),
        (lambda: moved(0, DAY + HOUR), "starts before visit 1 ends"),
    ],
)
def test_each_fault_is_named(option, message) -> None:
    assert message in problems(option())


def test_time_taken_meanwhile_counts_with_the_turnaround() -> None:
    option = good()
    end = option.visits[0].end
    place = option.visits[0].segments[0].places[0].place_id

    def taken(start: datetime) -> dict:
        busy = ((start, start + HOUR),)
        return {
            "lab": [replace(row, busy=busy if row.place_id == place else ()) for row in LABS["lab"]]
        }

    assert "already taken" in problems(option, places=taken(end + timedelta(minutes=14)))
    assert problems(option, places=taken(end + timedelta(minutes=15))) == ""


def test_one_place_cannot_serve_the_series_twice_within_its_turnaround() -> None:
    long_turnaround = replace(PLAN, turnaround={"lab": 91})
    assert "would serve this series twice" in problems(good(), plan=long_turnaround)
    assert problems(good(), plan=replace(PLAN, turnaround={"lab": 90})) == ""


def test_limits_and_the_volunteers_times() -> None:
    option = good()
    start, end = option.visits[0].start, option.visits[2].end
    minute = timedelta(minutes=1)
    assert "starts before" in problems(option, not_before=start + minute)
    assert "ends after" in problems(option, not_after=end - minute)
    assert problems(option, not_before=start, not_after=end) == ""
    own = [(row.start, row.end) for row in option.visits]
    assert problems(option, person_free=own) == ""
    assert "Visit 3 lies outside" in problems(option, person_free=own[:2])


def test_a_room_may_not_change_where_the_need_runs_on() -> None:
    first, _, third = three_visits().visits
    second = visit(2, ("session", 45, {"lab": 1}), ("test", 60, {"lab": 1}))
    plan = protocol((first, second, third), CONSECUTIVE)
    found = search_series(
        plan=plan, grid=GRID, places=timelines(GRID, LABS), person_free=-1, zone="UTC", limit=1
    ).options[0]
    session, test = found.visits[1].segments
    other = {"A": "B", "B": "A"}[test.places[0].place_id]
    elsewhere = test._replace(places=(PlaceRef("lab", other),))
    changed = replace(found.visits[1], segments=(session, elsewhere))
    option = replace(found, visits=(found.visits[0], changed, found.visits[2]))
    assert problems(found, plan=plan) == ""
    assert "lab changes between session and test" in problems(option, plan=plan)


def test_uses_of_a_place_are_the_rows_to_book() -> None:
    visit_2 = good().visits[1]
    start = visit_2.start
    rows = [
        (use.segments, use.start - start, use.end - start, use.held_until - start)
        for use in place_uses(visit_2, {"lab": 15})
    ]
    minutes = [timedelta(minutes=count) for count in (0, 45, 60, 135, 195, 210)]
    assert rows == [(("session",), *minutes[:3]), (("test",), *minutes[3:])]


def test_segments_back_to_back_at_one_place_are_one_use() -> None:
    plan = protocol((visit(1, ("a", 30, {"lab": 1}), ("b", 30, {"lab": 1})),))
    found = search_series(
        plan=plan, grid=GRID, places=timelines(GRID, LABS), person_free=-1, zone="UTC", limit=1
    ).options[0]
    (use,) = place_uses(found.visits[0], {"lab": 10})
    assert use.segments == ("a", "b")
    assert use.held_until - use.start == timedelta(minutes=70)
