"""Quiet hours by the clock on the wall, also on the nights on which it is changed.

Clock changes of Halifax: 2027-03-14, 02:00 becomes 03:00; 2027-11-07, 02:00 becomes 01:00 (IANA zone data).
"""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.outbox.rules.quiet import QuietHours, send_at

HALIFAX = ZoneInfo("America/Halifax")
NIGHT = QuietHours(time(21), time(8))


def at(text: str, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=HALIFAX, fold=fold).astimezone(UTC)


def sent(
    due: datetime, asked: datetime, until: datetime, quiet: QuietHours = NIGHT
) -> datetime | None:
    return send_at(due, not_before=asked, useful_until=until, quiet=quiet, zone=HALIFAX)


ASKED, UNTIL = at("2027-02-01T09:00"), at("2027-12-31T09:00")


@pytest.mark.parametrize(
    ("due", "wanted"),
    [
        ("2027-05-04T12:00", "2027-05-04T12:00"),
        ("2027-05-04T20:59", "2027-05-04T20:59"),
        ("2027-05-04T21:00", "2027-05-04T20:45"),
        ("2027-05-05T03:10", "2027-05-04T20:45"),
        ("2027-05-05T07:59", "2027-05-04T20:45"),
        ("2027-05-05T08:00", "2027-05-05T08:00"),
        ("2027-03-14T07:30", "2027-03-13T20:45"),  # the night without 02:30
        ("2027-11-07T07:30", "2027-11-06T20:45"),  # the night with two of them
    ],
)
def test_a_reminder_moves_earlier(due: str, wanted: str) -> None:
    assert sent(at(due), ASKED, UNTIL) == at(wanted)


@pytest.mark.parametrize(
    ("asked", "due"),
    [
        ("2027-05-04T22:00", "2027-05-05T08:00"),
        ("2027-03-13T22:00", "2027-03-14T08:00"),
        ("2027-11-06T22:00", "2027-11-07T08:00"),
    ],
)
def test_what_is_asked_for_at_night_waits_for_the_morning(asked: str, due: str) -> None:
    assert sent(at(asked), at(asked), UNTIL) == at(due)


def test_never_too_late_to_be_of_use() -> None:
    asked = at("2027-05-04T22:00")
    assert sent(asked, asked, at("2027-05-05T07:30")) is None
    assert sent(asked, asked, at("2027-05-05T08:00")) is None
    assert sent(at("2027-05-05T09:00"), asked, at("2027-05-05T09:00")) is None


def test_both_readings_of_a_doubled_hour_are_quiet() -> None:
    short = QuietHours(time(1), time(2))
    for fold in (0, 1):
        assert short.covers(at("2027-11-07T01:30", fold), HALIFAX)
    assert sent(at("2027-11-07T01:30", 1), at("2027-11-07T01:10"), UNTIL, short) == (
        at("2027-11-07T01:45", 1) + timedelta(minutes=15)
    )


def test_an_hour_that_is_skipped_is_never_quiet() -> None:
    skipped = QuietHours(time(2), time(3))
    start = at("2027-03-14T00:00")
    assert not any(
        skipped.covers(start + timedelta(minutes=5 * n), HALIFAX) for n in range(12 * 23)
    )


def test_equal_times_mean_no_quiet_hours() -> None:
    none = QuietHours(time(8), time(8))
    assert sent(at("2027-05-05T03:00"), ASKED, UNTIL, none) == at("2027-05-05T03:00")


minutes = st.integers(0, 365 * 24 * 60)
quarters = st.integers(0, 95).map(lambda n: time(n // 4, n % 4 * 15))


@given(minutes, minutes, st.integers(0, 3000), quarters, quarters)
def test_a_time_that_is_given_is_never_quiet_early_or_late(
    due: int, asked: int, useful: int, begin: time, end: time
) -> None:
    start = datetime(2027, 1, 1, tzinfo=UTC)
    quiet = QuietHours(begin, end)
    due_at, not_before = start + timedelta(minutes=due), start + timedelta(minutes=asked)
    until = max(due_at, not_before) + timedelta(minutes=useful)
    found = send_at(due_at, not_before=not_before, useful_until=until, quiet=quiet, zone=HALIFAX)
    if found is not None:
        assert not quiet.covers(found, HALIFAX)
        assert not_before <= found < until
