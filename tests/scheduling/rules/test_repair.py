"""Repairs: hand-provable instances, and against trying every start with the independent checker."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.rules.gaps import part_of
from scheduling.rules.ladder import next_rung
from scheduling.rules.missed import consequences, rule_for
from scheduling.rules.repair import Case, nearest_times, repairs
from scheduling.rules.repair_board import RepairBoard
from scheduling.rules.search import PlaceRef, SegmentOption, SeriesOption, VisitOption
from scheduling.rules.search_check import verify_option
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals
from studylab.studies.rules.protocol import FollowUp, Protocol
from tests.scheduling.rules.schedule_examples import three_visits

ZONE = "UTC"
MONDAY = datetime(2026, 11, 23, tzinfo=UTC)
NOW = MONDAY - timedelta(hours=12)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
ALWAYS = ((MONDAY - 30 * DAY, MONDAY + 60 * DAY),)
OPEN = tuple((MONDAY + n * DAY + 8 * HOUR, MONDAY + n * DAY + 20 * HOUR) for n in range(-2, 16))
GRID = Grid.covering(MONDAY - DAY, MONDAY + 16 * DAY)


def booked(plan: Protocol, place: str, at: Sequence[datetime]) -> tuple[VisitOption, ...]:
    """Return visits at one place throughout, wherever a segment needs one."""
    found = []
    for visit, start in zip(plan.visits, at, strict=True):
        rows, begin = [], start
        for segment in visit.segments:
            end = begin + timedelta(minutes=segment.minutes)
            refs = tuple(PlaceRef(need.kind, place) for need in segment.needs)
            rows.append(SegmentOption(segment.key, begin, end, refs))
            begin = end
        found.append(VisitOption(visit.number, start, begin, tuple(rows)))
    return tuple(found)


def daily(hour: float) -> list[datetime]:
    return [MONDAY + n * DAY + hour * HOUR for n in range(3)]


def taken(visits: Sequence[VisitOption]) -> tuple[Interval, ...]:
    return tuple((row.start, row.end) for visit in visits for row in visit.segments if row.places)


def less(opened: Sequence[Interval], day: int) -> tuple[Interval, ...]:
    return tuple(row for row in opened if row[0].date() != (MONDAY + day * DAY).date())


def world(*, closed: int, people: dict[str, tuple[str, float]], rooms: str = "AB") -> tuple[list[Case], dict[str, list[PlaceIntervals]]]:  # fmt: skip
    """Room A is closed on day `closed`; `people` maps a key to its room and hour on three days."""
    plan = three_visits(timezone=ZONE)
    visits = {key: booked(plan, room, daily(hour)) for key, (room, hour) in people.items()}
    places = {
        "lab": [
            PlaceIntervals(
                room, less(OPEN, closed) if room == "A" else OPEN,
                tuple(i for key, (own, _) in people.items() if own == room for i in taken(visits[key])),
            )
            for room in rooms
        ]
    }  # fmt: skip
    board = RepairBoard(GRID, places, {})
    cases = [
        Case(
            key=key, plan=plan, visits=visits[key], anchors={}, after=NOW, free=ALWAYS,
            hit=frozenset(visit.number for visit in visits[key] if board.hit(visit)),
        )
        for key in people
    ]  # fmt: skip
    return [case for case in cases if case.hit], places


def test_a_free_room_at_the_same_time_comes_first() -> None:
    cases, places = world(closed=1, people={"Ana": ("A", 9)})
    (found,) = repairs(cases, RepairBoard(GRID, places, {}), zone=ZONE, now=NOW)
    assert found.kind == "place"
    assert found.option is not None
    (visit,) = found.option.visits
    assert (visit.number, visit.start) == (2, MONDAY + DAY + 9 * HOUR)
    assert {ref.place_id for row in visit.segments for ref in row.places} == {"B"}


def test_one_free_room_serves_one_of_two_and_the_other_moves_least() -> None:
    """Both need B at nine on Tuesday. One keeps the time; the other has visit 2 between 22 and 26 hours after visit
    1 and around visit 3, so it can only go to where the first one's waiting or end leaves B free."""
    cases, places = world(closed=1, people={"Ana": ("A", 9), "Ben": ("A", 10.75)})
    found = {row.key: row for row in repairs(cases, RepairBoard(GRID, places, {}), zone=ZONE, now=NOW)}  # fmt: skip
    assert found["Ana"].kind == "place"
    # Ben's session (10:45 to 11:30) lies in Ana's wait (9:45 to 11:15) but for its end: B is taken from 11:15 on.
    assert found["Ben"].kind == "time"
    assert found["Ben"].option is not None
    assert len(found["Ben"].option.visits) == 1
    moved = found["Ben"].option.visits[0].start
    assert abs(moved - (MONDAY + DAY + 10.75 * HOUR)) == timedelta(minutes=15)


def test_nothing_fits_needs_a_call_with_the_reason_and_changes_nothing() -> None:
    cases, places = world(closed=1, people={"Ana": ("A", 9)}, rooms="A")
    shut = {"lab": [PlaceIntervals("A", (OPEN[2], OPEN[4]), places["lab"][0].busy)]}
    board = RepairBoard(GRID, shut, {})
    before = dict(board.busy)
    (found,) = repairs(cases, board, zone=ZONE, now=NOW)
    assert (found.kind, found.option) == ("call", None)
    assert found.why
    assert board.busy == before


def test_who_comes_late_takes_the_next_visit_along_only_where_they_must() -> None:
    """Visit 1 at 9, visit 2 a day later at 9. An hour late is 23 hours before visit 2, which may stay; at 11:30
    it would be 21.5 hours, so visit 2 moves by half an hour."""
    cases, places = world(closed=9, people={"Ana": ("A", 9)})
    assert cases == []
    plan = three_visits(timezone=ZONE)
    visits = booked(plan, "A", daily(9))
    case = Case(key="Ana", plan=plan, visits=visits, hit=frozenset({1}), anchors={}, after=NOW, free=ALWAYS)  # fmt: skip
    for late, numbers in ((1.0, [1]), (2.5, [1, 2, 3])):
        now = MONDAY + (9 + late) * HOUR
        option, why = nearest_times(case, RepairBoard(GRID, places, {}), zone=ZONE, now=now, at=now)
        assert option is not None, why
        if numbers == [1, 2, 3]:
            assert [row.start for row in option.visits[1:]] == [
                MONDAY + DAY + 9.5 * HOUR,
                MONDAY + 2 * DAY + 9 * HOUR,
            ]
        assert [row.number for row in option.visits] == numbers
        assert option.visits[0].start == now


def smallest_by_trying(case: Case, places: dict[str, list[PlaceIntervals]]) -> timedelta | None:
    """Try visit 2 alone at every quarter of an hour in every room; the checker knows no grid and no search."""
    best = None
    whole = {row.number: row for row in case.visits}
    old = whole[2]
    others = {  # room A is mine alone
        kind: [
            PlaceIntervals(
                row.place_id, row.open,
                tuple(i for i in row.busy if row.place_id != "A"),
            )
            for row in rows
        ]
        for kind, rows in places.items()
    }  # fmt: skip
    for step in range(-16, 17):
        at = old.start + step * timedelta(minutes=15)
        for room in [row.place_id for row in places["lab"]]:
            (_, new, _) = booked(case.plan, str(room), [whole[1].start, at, whole[3].start])
            series = SeriesOption((whole[1], new, whole[3]), 0)
            alone = part_of(case.plan, [2])
            spaced = not [
                line for line in verify_option(plan=case.plan, option=series, places={})
                if "there is no such place" not in line
            ]  # fmt: skip
            fits = not verify_option(plan=alone, option=SeriesOption((new,), 0), places=others)
            if spaced and fits:
                away = abs(at - old.start)
                best = away if best is None else min(best, away)
    return best


@settings(max_examples=12)
@given(st.lists(st.integers(32, 72), min_size=1, max_size=3, unique=True), st.integers(32, 60))
def test_against_trying_every_start(others: list[int], mine: int) -> None:
    """Others sit in room B; mine lies in A, which is closed on Tuesday."""
    people = {"Ana": ("A", mine / 4)}
    people |= {f"other {n}": ("B", quarter / 4) for n, quarter in enumerate(others)}
    rooms = {}
    for room, hour in people.values():  # others may not clash with each other
        mine_now = taken(booked(three_visits(), room, daily(hour)))
        if any(a < d and c < b for a, b in mine_now for c, d in rooms.get(room, ())):
            continue
        rooms.setdefault(room, []).extend(mine_now)
    kept = {k: v for k, v in people.items() if all(i in rooms[v[0]] for i in taken(booked(three_visits(), v[0], daily(v[1]))))}  # fmt: skip
    cases, places = world(closed=1, people=kept)
    case = next(case for case in cases if case.key == "Ana")
    (found,) = repairs([case], RepairBoard(GRID, places, {}), zone=ZONE, now=NOW)
    expected = smallest_by_trying(case, places)
    if found.option is None or len(found.option.visits) > 1:
        assert expected is None
    else:
        assert abs(found.option.visits[0].start - case.visits[1].start) == expected
        assert found.kind == ("place" if expected == timedelta(0) else "time")


def test_after_the_dose_nothing_begins_again() -> None:
    plan = three_visits()
    assert plan.visit(3).if_missed == "shift"
    visits = [*plan.visits[:2], replace(plan.visits[2], if_missed="restart")]
    again = replace(plan, visits=tuple(visits))
    assert rule_for(again, 3, dosed=False) == "restart"
    assert rule_for(again, 3, dosed=True) == "shift"


@pytest.mark.parametrize("over", [True, False])
def test_what_missing_means_is_said_before(over: bool) -> None:
    ends = NOW - HOUR if over else NOW + HOUR
    said = list(consequences(three_visits(), 2, dosed=False, later=[3], window_ends=ends, now=NOW))
    assert "Visit 3 is cancelled and its room and people are free again." in said
    assert ("Its window is over" in " ".join(said)) is over


def test_the_ladder_climbs_and_never_ends_well_by_silence() -> None:
    rule = FollowUp(18, 30, ("How are you?",), ("own number", "named contact", "physician"), 120)
    tries: list[datetime] = []
    seen = []
    for _ in range(4):
        rung = next_rung(rule, tries, MONDAY)
        seen.append((rung.who, rung.last))
        tries.append(rung.due)
    assert seen == [("own number", False), ("named contact", False), ("physician", True), ("physician", True)]  # fmt: skip
    assert [at - MONDAY for at in tries] == [n * 2 * HOUR for n in range(4)]
