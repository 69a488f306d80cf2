"""Drawn days of 23, 24 and 25 hours, weeks, hours and lanes. Pure: no database."""

from datetime import UTC, date, datetime, timedelta

import pytest

from scheduling.rules.calendar_days import (
    day_frame,
    hours_drawn,
    read_day,
    read_week,
    say_week,
    side_by_side,
)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/Halifax", date(2027, 3, 14), 23),
        ("America/Halifax", date(2026, 11, 1), 25),
        ("America/Halifax", date(2026, 11, 26), 24),
        ("Europe/Amsterdam", date(2026, 3, 29), 23),
        ("Europe/Amsterdam", date(2026, 10, 25), 25),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
    ],
)
def test_whole_days_are_as_long_as_they_are(zone: str, day: date, hours: float) -> None:
    """Lengths from the IANA transitions of these zones."""
    frame = day_frame(day, zone, 0, 24)
    assert frame.minutes == hours * 60
    assert frame.ticks[0].minutes == 0
    gaps = {b.minutes - a.minutes for a, b in zip(frame.ticks, frame.ticks[1:], strict=False)}
    assert gaps <= {30, 60, 90}


def test_the_skipped_hour_has_no_mark_and_the_doubled_one_has_two() -> None:
    spring = [tick.label for tick in day_frame(date(2027, 3, 14), "America/Halifax", 0, 6).ticks]
    assert spring == ["00:00 AST", "01:00 AST", "03:00 ADT", "04:00 ADT", "05:00 ADT", "06:00 ADT"]
    autumn = [tick.label for tick in day_frame(date(2026, 11, 1), "America/Halifax", 0, 3).ticks]
    assert autumn == ["00:00 ADT", "01:00 ADT", "01:00 AST", "02:00 AST", "03:00 AST"]


def test_office_hours_look_alike_on_every_day() -> None:
    """The change is at night: from 07:00 to 20:00 every day has the same marks at the same heights."""
    days = (date(2026, 10, 31), date(2026, 11, 1), date(2027, 3, 13), date(2027, 3, 14))
    assert len({day_frame(day, "America/Halifax", 7, 20).ticks for day in days}) == 1


def test_clip() -> None:
    frame = day_frame(date(2026, 11, 26), "UTC", 8, 18)
    assert frame.clip((at("2026-11-26T09:00"), at("2026-11-26T09:30"))) == (60, 90)
    assert frame.clip((at("2026-11-25T20:00"), at("2026-11-26T08:10"))) == (0, 10)
    assert frame.clip((at("2026-11-26T18:00"), at("2026-11-26T19:00"))) is None


def test_hours_drawn() -> None:
    assert hours_drawn([], "UTC") == (8, 18)
    day = [(at("2026-11-26T07:45"), at("2026-11-26T16:10"))]
    assert hours_drawn(day, "UTC") == (7, 17)
    assert hours_drawn([(at("2026-11-26T20:00"), at("2026-11-27T00:00"))], "UTC") == (20, 24)
    assert hours_drawn([(at("2026-11-26T20:00"), at("2026-11-27T01:00"))], "UTC") == (0, 24)


def test_side_by_side_uses_as_few_lanes_as_overlap_at_once() -> None:
    start = at("2026-11-26T09:00")
    hour = timedelta(hours=1)
    rows = [
        (start, start + 2 * hour),
        (start + hour, start + 3 * hour),
        (start + 2 * hour, start + 4 * hour),
    ]
    lanes = side_by_side(rows)
    assert max(lanes) + 1 == 2
    for i, one in enumerate(rows):
        for j, other in enumerate(rows[:i]):
            assert lanes[i] != lanes[j] or one[0] >= other[1] or other[0] >= one[1]


def test_weeks() -> None:
    """2026-12-31 lies in week 53 of 2026, and 2027-01-03 still does (ISO 8601)."""
    assert read_week("2026-W48") == date(2026, 11, 23)
    assert read_week("2026-W53") == date(2026, 12, 28)
    assert say_week(date(2027, 1, 3)) == "2026-W53"


@pytest.mark.parametrize(
    "text", ["2026-W54", "2027-W53", "2026-48", "x", "", "1999-W01", "2026-W00", "9999-W52"]
)
def test_weeks_that_do_not_exist(text: str) -> None:
    with pytest.raises(ValueError, match="week"):
        read_week(text)


@pytest.mark.parametrize("text", ["2026-02-30", "soon", "", "0001-01-01", "9999-12-31"])
def test_days_that_do_not_exist(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a day|is not shown"):
        read_day(text)
