"""Times of a pressure device's own clock (field case F-55), worked out by hand."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from screening.rules.monitor_clock import (
    Comparison,
    moment_of,
    offset,
    shifted_to_now,
    that_counts,
)

HALIFAX = ZoneInfo("America/Halifax")
DAY = date(2026, 3, 4)


def at(hour: int, minute: int, second: int = 0, day: date = DAY) -> datetime:
    """Return a moment by the wall clock of Halifax."""
    return datetime(day.year, day.month, day.day, hour, minute, second, tzinfo=HALIFAX).astimezone(
        UTC
    )


def compared(shown: time, moment: datetime, key: int = 1) -> Comparison:
    return Comparison(key, shown, moment)


@pytest.mark.parametrize(
    ("shown", "moment", "minutes"),
    [
        (time(8, 8), at(8, 0), 8), (time(7, 53), at(8, 0), -7), (time(0, 3), at(23, 55), 8),
        (time(23, 55), at(0, 3), -8), (time(20, 0), at(8, 0), 720), (time(9, 0), at(8, 0), 60),
    ],
)  # fmt: skip
def test_how_far_a_clock_is_ahead(shown: time, moment: datetime, minutes: int) -> None:
    assert offset(shown, moment, HALIFAX) == timedelta(minutes=minutes)


def test_f55_11_38_by_a_device_eight_minutes_fast_is_11_30() -> None:
    """Dose 10:00, due at +90: 11:38 by the device is +90 and not +98."""
    fast = compared(time(8, 8), at(8, 0))
    taken = moment_of(time(11, 38), fast, on=DAY, zone=HALIFAX, after=None, now=at(12, 0))
    assert taken == at(11, 30)
    assert taken - at(10, 0) == timedelta(minutes=90)
    # Entered at once: by the device it is later than now, by the server's clock it is now.
    assert moment_of(time(11, 38), fast, on=DAY, zone=HALIFAX, after=at(11, 20), now=at(11, 30))
    assert (
        moment_of(time(11, 39), fast, on=DAY, zone=HALIFAX, after=at(11, 20), now=at(11, 30))
        is None
    )
    assert (
        moment_of(time(11, 27), fast, on=DAY, zone=HALIFAX, after=at(11, 20), now=at(11, 40))
        is None
    )


def test_a_device_that_was_not_told_of_the_clock_change_is_right_all_the_same() -> None:
    """8 March 2026: the clocks of Halifax go forward at 2:00. Compared before and read after, the device keeps its hour."""
    spring = date(2026, 3, 8)
    good = compared(time(0, 30), at(0, 30, day=spring))
    taken = moment_of(
        time(8, 0), good, on=spring, zone=HALIFAX, after=None, now=at(12, 0, day=spring)
    )
    assert taken == at(9, 0, day=spring)


def test_past_midnight_the_rest_says_which_day_is_meant() -> None:
    late = compared(time(22, 8), at(22, 0))
    after = at(23, 50)
    now = at(0, 10, day=DAY + timedelta(days=1))
    assert moment_of(time(0, 3), late, on=DAY, zone=HALIFAX, after=after, now=now) == at(23, 55)


def test_only_a_comparison_of_the_day_counts_and_none_when_the_clock_was_set() -> None:
    yesterday = compared(time(8, 8), at(8, 0, day=DAY - timedelta(days=1)))
    morning, noon = compared(time(8, 8), at(8, 0), 2), compared(time(12, 9), at(12, 0), 3)
    assert that_counts([yesterday], DAY, HALIFAX) is None
    assert that_counts([noon, yesterday, morning], DAY, HALIFAX) == noon
    was_set = compared(time(13, 0), at(13, 0), 4)
    assert that_counts([morning, was_set], DAY, HALIFAX) is None
    assert that_counts([], DAY, HALIFAX) is None


def test_uncertain_moments_keep_their_gaps_and_are_never_in_the_future() -> None:
    minute = timedelta(minutes=1)
    now = at(11, 31)
    assert shifted_to_now([at(11, 36), at(11, 37), at(11, 38)], now) == [
        now - 2 * minute,
        now - minute,
        now,
    ]
    assert shifted_to_now([at(11, 20)], now) == [at(11, 20)]
    assert shifted_to_now([], now) == []
