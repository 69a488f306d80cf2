"""Rank, reasons, limits and refusals of the series search, over an ordinary week and clock changes."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduling.rules.elapsed import describe_shift
from scheduling.rules.reasons import Asked, reasons
from scheduling.rules.search import search_series
from scheduling.rules.search_check import verify_option
from scheduling.rules.series import Preferences, SearchResult
from scheduling.rules.timeline import Grid, Interval, PlaceIntervals, free_bits, timelines
from studylab.studies.rules.loader import load_protocol
from tests.scheduling.rules.schedule_examples import CONSECUTIVE, protocol, three_visits, visit

MONDAY = datetime(2026, 6, 1, tzinfo=UTC)
DAY = timedelta(days=1)
DOCUMENTS = Path(__file__).parents[3] / "studylab" / "studies" / "documents"


def office(
    days: int, start: datetime = MONDAY, first: float = 7, last: float = 15
) -> tuple[Interval, ...]:
    """Open hours, in UTC, on weekdays."""
    rows = [start + i * DAY for i in range(days)]
    return tuple(
        (day + timedelta(hours=first), day + timedelta(hours=last))
        for day in rows
        if day.weekday() < 5
    )


def search(
    plan, places, days: int = 7, start: datetime = MONDAY, person=None, **changes
) -> SearchResult:
    grid = Grid.covering(start, start + days * DAY)
    own = -1 if person is None else free_bits(grid, person)
    wanted = {"zone": plan.timezone} | changes
    result = search_series(
        plan=plan, grid=grid, places=timelines(grid, places), person_free=own, **wanted
    )
    limits = {key: wanted[key] for key in ("not_before", "not_after") if key in wanted}
    for option in result.options:
        problems = verify_option(
            plan=plan, option=option, places=places, person_free=person, **limits
        )
        assert problems == ()
    return result


def one_lab(days: int = 7, **hours) -> dict[str, list[PlaceIntervals]]:
    return {"lab": [PlaceIntervals("A", office(days, **hours))]}


def first_starts(result: SearchResult) -> list[str]:
    return [f"{option.visits[0].start:%a %H:%M}" for option in result.options]


def test_exact_spacing_same_clock_and_soonest_come_first() -> None:
    best = search(three_visits(), one_lab()).options[0]
    assert [f"{row.start:%a %H:%M}" for row in best.visits] == [
        "Mon 07:00",
        "Tue 07:00",
        "Wed 07:00",
    ]
    assert best.score == 0


def test_visits_and_segments_carry_their_places() -> None:
    second = search(three_visits(), one_lab()).options[0].visits[1]
    assert [row.key for row in second.segments] == ["session", "wait", "test"]
    assert [[ref.place_id for ref in row.places] for row in second.segments] == [["A"], [], ["A"]]
    assert second.end - second.start == timedelta(minutes=195)


def test_no_more_than_so_many_options_a_day() -> None:
    assert first_starts(search(three_visits(), one_lab(14), days=14))[:5] == [
        "Mon 07:00", "Mon 07:15", "Mon 07:30", "Mon 07:45", "Tue 07:00",
    ]  # fmt: skip
    one = search(three_visits(), one_lab(), preferences=Preferences(per_day=1))
    assert first_starts(one) == ["Mon 07:00", "Tue 07:00", "Wed 07:00"]


def test_later_first_when_soon_is_not_wanted() -> None:
    wish = Preferences(earliest=False, per_day=1)
    assert first_starts(search(three_visits(), one_lab(), preferences=wish)) == [
        "Wed 11:45", "Tue 11:45", "Mon 11:45",
    ]  # fmt: skip


def test_chosen_weekdays_bind_every_visit() -> None:
    wish = Preferences(weekdays=frozenset({1, 2, 3}), per_day=1)
    assert first_starts(search(three_visits(), one_lab(), preferences=wish)) == ["Tue 07:00"]
    none = search(three_visits(), one_lab(), preferences=Preferences(weekdays=frozenset({0, 1})))
    assert none.options == ()
    assert any("no regard to the chosen weekdays" in line for line in none.why_none)


def test_limits_of_the_search_bind_starts_and_ends() -> None:
    found = search(
        three_visits(), one_lab(),
        not_before=MONDAY + timedelta(hours=7, minutes=1),
        not_after=MONDAY + 2 * DAY + timedelta(hours=9, minutes=20),
        preferences=Preferences(per_day=None),
    )  # fmt: skip
    exact = [option for option in found.options if option.score == 0]
    assert [f"{option.visits[0].start:%a %H:%M}" for option in exact] == [
        "Mon 07:15", "Mon 07:30", "Mon 07:45", "Mon 08:00", "Mon 08:15",
    ]  # fmt: skip


def test_the_volunteers_own_times_bind() -> None:
    person = [(at + timedelta(hours=2), at + timedelta(hours=5, minutes=30)) for at, _ in office(7)]
    found = search(three_visits(), one_lab(), person=person, preferences=Preferences(per_day=1))
    assert first_starts(found)[0] == "Mon 09:00"


def test_few_rooms_and_people_for_one_volunteer() -> None:
    """B can serve everything; A, listed first, only visit 1."""
    places = {"lab": [PlaceIntervals("A", office(1)), PlaceIntervals("B", office(7))]}
    best = search(three_visits(), places).options[0]
    used = {ref.place_id for row in best.visits for part in row.segments for ref in part.places}
    assert used == {"B"}


def test_needs_for_two_of_a_kind_get_two_places() -> None:
    plan = protocol((visit(1, ("check", 30, {"nurse": 2}), ("talk", 30, {"nurse": 1})),))
    two = {"nurse": [PlaceIntervals(name, office(1)) for name in ("N", "O")]}
    segments = search(plan, two, days=1).options[0].visits[0].segments
    assert len({ref.place_id for ref in segments[0].places}) == 2
    assert set(segments[1].places) < set(segments[0].places)
    assert search(plan, {"nurse": two["nurse"][:1]}, days=1).options == ()


def test_one_person_listed_under_two_kinds_is_one_person() -> None:
    plan = protocol((visit(1, ("check", 30, {"nurse": 1, "checker": 1})),))
    alone = {kind: [PlaceIntervals(7, office(1))] for kind in ("nurse", "checker")}
    assert search(plan, alone, days=1).options == ()
    helped = alone | {"checker": [PlaceIntervals(7, office(1)), PlaceIntervals(8, office(1))]}
    places = search(plan, helped, days=1).options[0].visits[0].segments[0].places
    assert {ref.kind: ref.place_id for ref in places} == {"nurse": 7, "checker": 8}


@pytest.mark.parametrize(
    ("zone", "start", "later", "same"),
    [
        ("Europe/Amsterdam", "2026-03-28T10:00+01:00", "11:00", "10:00"),
        ("Europe/Amsterdam", "2026-10-24T10:00+02:00", "09:00", "10:00"),
        ("America/New_York", "2026-03-07T10:00-05:00", "11:00", "10:00"),
        ("America/New_York", "2026-10-31T10:00-04:00", "09:00", "10:00"),
        ("Australia/Lord_Howe", "2026-04-04T10:00+11:00", "09:30", "10:00"),
        ("Australia/Lord_Howe", "2026-10-03T10:00+10:30", "10:30", "10:00"),
    ],
)
def test_over_a_clock_change_elapsed_time_decides_and_both_are_said(
    zone, start, later, same
) -> None:
    """Pairs from the IANA time zone database: 24 h later and the same clock time tomorrow; both are said."""
    plan = protocol(
        (visit(1, ("a", 60, {"lab": 1})), visit(2, ("b", 60, {"lab": 1}))), CONSECUTIVE[:1],
        timezone=zone,
    )  # fmt: skip
    begin = datetime.fromisoformat(start)
    always = {"lab": [PlaceIntervals("A", ((begin, begin + 3 * DAY),))]}
    second = (begin + timedelta(hours=22), begin + timedelta(hours=28))
    person = [(begin, begin + timedelta(hours=1)), second]
    wish = {"preferences": Preferences(per_day=None), "limit": 99}
    found = search(plan, always, 3, begin.astimezone(UTC), person, **wish).options
    clocks = [f"{row.visits[1].start.astimezone(ZoneInfo(zone)):%H:%M}" for row in found]
    assert clocks[0] == later
    assert same in clocks
    best = found[0]
    assert best.visits[1].start - best.visits[0].start == DAY
    said = reasons(plan, best, ZoneInfo(zone), Asked(), soonest=False)
    assert said[1:] == (f"The visits start at 10:00, {later}.",)
    shift = describe_shift(best.visits[0].start, DAY, zone) or ""
    assert f"24 h later is {later}" in shift
    assert f"same clock time, {same}" in shift
    wish["preferences"] = Preferences(per_day=None, same_clock=True)
    asked = search(plan, always, 3, begin.astimezone(UTC), person, **wish).options[0]
    assert f"{asked.visits[1].start.astimezone(ZoneInfo(zone)):%H:%M}" == same
    assert best.score == abs(int(later[:2]) * 60 + int(later[3:]) - 600)


@pytest.mark.parametrize("name", ["demo", "conditioning"])
def test_the_shipped_studies_can_be_booked(name) -> None:
    plan = load_protocol((DOCUMENTS / f"{name}.toml").read_text())
    kinds = {need.kind for row in plan.visits for part in row.segments for need in part.needs}
    hours = {"first": 11, "last": 23}
    places = {
        kind: [PlaceIntervals(f"{kind} {i}", office(14, **hours)) for i in (1, 2)] for kind in kinds
    }
    best = search(plan, places, days=14).options[0]
    assert [row.number for row in best.visits] == [1, 2, 3]


def why(plan, places, **changes) -> str:
    result = search(plan, places, **changes)
    assert result.options == ()
    return "\n".join(result.why_none)


def test_why_none_names_a_kind_that_has_no_place() -> None:
    assert why(three_visits(), {}) == (
        "There is no lab at all, and visit 1 and 2 and 3 needs one: add it first."
    )


def test_why_none_names_cover_that_is_never_long_enough() -> None:
    plan = three_visits()
    second = visit(
        2, ("session", 45, {"lab": 1, "physician cover": 1}), ("wait", 90, {"physician cover": 1})
    )
    plan = replace(plan, visits=(plan.visits[0], second, plan.visits[2]))
    places = one_lab() | {"physician cover": [PlaceIntervals("P", office(7, first=7, last=9))]}
    said = why(plan, places)
    assert "Visit 2: no physician cover is free for 2 h 15 min in a row on any day" in said
    assert "without the need for physician cover there would be" in said
    assert "Visit 1" not in said


def test_why_none_names_what_keeps_the_visits_apart() -> None:
    """Visit 2 needs the chair, which is open only the day that visit 1 would have to come after."""
    plan = three_visits()
    second = visit(2, ("session", 45, {"lab": 1, "chair": 1}))
    plan = replace(plan, visits=(plan.visits[0], second, plan.visits[2]))
    places = one_lab(5) | {"chair": [PlaceIntervals("C", office(1))]}
    said = why(plan, places, days=5)
    assert "Visit 2 alone fits on Monday 1 June 2026." in said
    assert "With another chair at the right times there would be" in said
    assert "another lab" in said or "With another lab" not in said


def test_why_none_counts_what_waiving_gives() -> None:
    """With no regard to the volunteer's times visit 1 could start at 07:00, 07:15 ... 14:00: 29 starts."""
    plan = protocol((visit(1, ("learning", 60, {"lab": 1})),))
    short = [(MONDAY + timedelta(hours=7), MONDAY + timedelta(hours=7, minutes=45))]
    said = why(plan, one_lab(1), days=1, person=short)
    assert said == (
        "Visit 1 fits nowhere: without the volunteer's own times there would be 29 possible starts."
    )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"limit": 0}, "limit must be at least 1"),
        ({"zone": "Europe/Harbourtown"}, "There is no time zone"),
        ({"raster_minutes": 7}, "choose a multiple of 5"),
        ({"not_before": datetime(2026, 6, 1, 8)}, "has no time zone"),
    ],
)
def test_bad_input_is_refused_by_name(changes, message) -> None:
    with pytest.raises(ValueError, match=message):
        search(three_visits(), one_lab(), **changes)


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        (("visit2.start", "visit1.start"), "runs backwards"),
        (("visit1.start", "visit9.start"), "names no visit"),
        (("visit1.start", "visit2.middle"), "is not an anchor"),
    ],
)
def test_contradictory_rules_are_refused_by_name(rule, message) -> None:
    bad = replace(CONSECUTIVE[0], start=rule[0], end=rule[1])
    with pytest.raises(ValueError, match=message):
        search(three_visits(spacings=(bad,)), one_lab())
