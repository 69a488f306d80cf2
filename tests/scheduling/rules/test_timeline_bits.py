"""Bit timelines: rounding, shifting, rasters and days, each against counting slot by slot."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.rules.timeline import (
    Grid,
    PlaceIntervals,
    ascending,
    at_least,
    clock_periods,
    day_masks,
    descending,
    dilate,
    free_bits,
    raster_bits,
    runs,
    stamped_intervals,
    timelines,
    weekday_bits,
)

START = datetime(2026, 6, 1, 8, tzinfo=UTC)
GRID = Grid(start=START, slots=12)  # one hour


def minute(count: int) -> datetime:
    return START + timedelta(minutes=count)


def slots(bits: int) -> list[int]:
    return list(ascending(bits))


def test_open_time_rounds_inwards_and_busy_time_outwards() -> None:
    assert slots(free_bits(GRID, [(minute(2), minute(19))])) == [1, 2]
    busy = free_bits(
        GRID, [(minute(0), minute(60))], [(minute(9), minute(11)), (minute(50), minute(90))]
    )
    assert slots(busy) == [0, 3, 4, 5, 6, 7, 8, 9]


def test_touching_opening_times_leave_no_seam_and_busy_ends_are_half_open() -> None:
    assert slots(free_bits(GRID, [(minute(7), minute(20)), (minute(0), minute(7))])) == [0, 1, 2, 3]
    assert slots(free_bits(GRID, [(minute(0), minute(20))], [(minute(0), minute(10))])) == [2, 3]


def test_a_backward_interval_is_refused_and_named() -> None:
    with pytest.raises(ValueError, match=r"busy time .* ends before it begins"):
        free_bits(GRID, [(minute(0), minute(60))], [(minute(10), minute(10))])
    with pytest.raises(ValueError, match=r"open time .* ends before it begins"):
        free_bits(GRID, [(minute(20), minute(10))])


def test_places_become_timelines_per_kind() -> None:
    rows = timelines(GRID, {"lab": [PlaceIntervals("A", ((minute(0), minute(10)),))], "chair": []})
    assert [(row.place_id, row.free) for row in rows["lab"]] == [("A", 0b11)]
    assert rows["chair"] == ()


@pytest.mark.parametrize(
    "bad",
    [
        {"start": datetime(2026, 6, 1, 8), "slots": 12},
        {"start": datetime(2026, 6, 1, 8, 3, tzinfo=UTC), "slots": 12},
        {"start": START, "slots": 0},
        {"start": START, "slots": 12, "minutes_per_slot": 0},
    ],
)
def test_impossible_grids_are_refused(bad) -> None:
    with pytest.raises(ValueError, match=r"grid|minutes"):
        Grid(**bad)


def test_covering_grid_rounds_outwards_and_refuses_nothing() -> None:
    grid = Grid.covering(minute(3), minute(11))
    assert (grid.start, grid.slots, grid.end) == (START, 3, minute(15))
    with pytest.raises(ValueError, match="must come after"):
        Grid.covering(minute(5), minute(5))


@given(st.integers(0, 2**40 - 1), st.integers(1, 12))
def test_runs(bits, length) -> None:
    expected = [i for i in range(40) if all(bits >> (i + k) & 1 for k in range(length))]
    assert slots(runs(bits, length)) == expected


@given(st.integers(0, 2**40 - 1), st.integers(-20, 20), st.integers(-1, 15))
def test_dilate(bits, low, width) -> None:
    moved = {i + d for i in ascending(bits) for d in range(low, low + width + 1)}
    assert slots(dilate(bits, low, low + width)) == sorted(slot for slot in moved if slot >= 0)


@given(st.lists(st.integers(0, 2**20 - 1), max_size=5), st.integers(1, 4))
def test_at_least(sets, count) -> None:
    expected = [i for i in range(20) if sum(bits >> i & 1 for bits in sets) >= count]
    assert slots(at_least(sets, count, 2**20 - 1)) == expected


@given(st.integers(0, 2**80 - 1))
def test_walking_both_ways(bits) -> None:
    assert sum(1 << slot for slot in ascending(bits)) == bits
    assert list(descending(bits)) == list(ascending(bits))[::-1]


@pytest.mark.parametrize("raster", [5, 15, 30, 60])
@pytest.mark.parametrize(
    ("zone", "start"),
    [
        ("Europe/Amsterdam", datetime(2026, 10, 23, 22, 35, tzinfo=UTC)),
        ("America/New_York", datetime(2026, 3, 7, 3, 5, tzinfo=UTC)),
        ("Australia/Lord_Howe", datetime(2026, 10, 2, 14, 10, tzinfo=UTC)),
        ("Asia/Kathmandu", datetime(2026, 10, 2, 14, 10, tzinfo=UTC)),
    ],
)
def test_raster_days_and_offsets_by_the_local_clock(zone, start, raster) -> None:
    grid, tz = Grid(start=start, slots=3 * 288), ZoneInfo(zone)
    local = [grid.at(i).astimezone(tz) for i in range(grid.slots)]
    expected = [i for i, at in enumerate(local) if (at.hour * 60 + at.minute) % raster == 0]
    assert slots(raster_bits(grid, tz, raster)) == expected
    weekend = [i for i, at in enumerate(local) if at.weekday() >= 5]
    assert slots(weekday_bits(grid, tz, frozenset({5, 6}))) == weekend
    days = sorted({at.date() for at in local})
    assert [slots(mask) for mask in day_masks(grid, tz)] == [
        [i for i, at in enumerate(local) if at.date() == day] for day in days
    ]
    for first, stop, offset in clock_periods(grid, tz):
        assert {at.utcoffset() for at in local[first:stop]} == {timedelta(minutes=offset)}
    assert clock_periods(grid, tz)[-1][1] == grid.slots


@pytest.mark.parametrize("raster", [0, 7, -15])
def test_a_raster_off_the_grid_is_refused(raster) -> None:
    with pytest.raises(ValueError, match="choose a multiple of 5"):
        raster_bits(GRID, ZoneInfo("Europe/Amsterdam"), raster)


def test_stamps_become_intervals_exact_to_the_microsecond() -> None:
    """PostgreSQL sends a timestamptz as microseconds since 2000-01-01 UTC, 64 bits, big-endian (src/include/datatype/timestamp.h)."""
    start, end = (
        datetime(2027, 3, 14, 6, 59, 59, 999_999, UTC),
        datetime(2027, 3, 14, 7, tzinfo=UTC),
    )
    count = (
        datetime(2027, 3, 14, 7) - datetime(2000, 1, 1)
    ).days * 86_400_000_000 + 7 * 3_600_000_000
    stamps = (count - 1).to_bytes(8, "big") + count.to_bytes(8, "big") + bytes(16)
    first = datetime(2000, 1, 1, tzinfo=UTC)
    assert stamped_intervals(stamps) == ((start, end), (first, first))
    assert stamped_intervals(b"") == ()
