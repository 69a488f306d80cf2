"""Timelines as big integers: bit i stands for slot i of a grid in absolute UTC time.

A set bit means "free for the whole slot" or, in a set of starts, "may start at the beginning of this slot".
One shift or mask then answers for every slot of the horizon at once. All intervals are half open.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache, reduce
from operator import or_
from struct import iter_unpack
from zoneinfo import ZoneInfo

from scheduling.rules.elapsed import change_between, local_day, local_day_bounds, to_utc

Interval = tuple[datetime, datetime]
PlaceId = int | str
STAMPS_BEGIN = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """`slots` slots of `minutes_per_slot` from `start`, which must lie on a whole slot of UTC."""

    start: datetime
    slots: int
    minutes_per_slot: int = 5
    slot: timedelta = field(init=False, compare=False)

    def __post_init__(self) -> None:
        if self.minutes_per_slot < 1 or self.slots < 1:
            raise ValueError("A grid needs slots, and each at least one minute long.")
        object.__setattr__(self, "start", to_utc(self.start, "grid start"))
        object.__setattr__(self, "slot", timedelta(minutes=self.minutes_per_slot))
        if self.start.timestamp() % (60 * self.minutes_per_slot):
            raise ValueError(f"The grid must start on a whole {self.minutes_per_slot} minutes.")

    @classmethod
    def covering(cls, start: datetime, end: datetime, minutes_per_slot: int = 5) -> "Grid":
        """Return the smallest grid that contains [start, end)."""
        begin, length = to_utc(start, "start"), 60 * minutes_per_slot
        first = begin - timedelta(seconds=begin.timestamp() % length)
        slots = -((first - to_utc(end, "end")) // timedelta(seconds=length))
        if slots < 1:
            raise ValueError("The end of the search must come after its start.")
        return cls(start=first, slots=slots, minutes_per_slot=minutes_per_slot)

    @property
    def end(self) -> datetime:
        """The instant at which the last slot ends."""
        return self.at(self.slots)

    @property
    def full(self) -> int:
        """Every slot."""
        return (1 << self.slots) - 1

    def at(self, index: int) -> datetime:
        """Return the instant at which slot `index` begins."""
        return self.start + index * self.slot

    def floor(self, at: datetime) -> int:
        """Return the slot that contains an instant; may lie outside the grid."""
        return (to_utc(at) - self.start) // self.slot

    def ceil(self, at: datetime) -> int:
        """Return the first slot that begins at or after an instant; may lie outside the grid."""
        return -((self.start - to_utc(at)) // self.slot)

    def span(self, first: int, stop: int) -> int:
        """Return the slots first <= i < stop that lie on the grid."""
        first, stop = max(first, 0), min(stop, self.slots)
        return ((1 << (stop - first)) - 1) << first if stop > first else 0

    def inside(self, interval: Interval) -> int:
        """Return the slots that lie wholly inside an interval."""
        return self.span(self.ceil(interval[0]), self.floor(interval[1]))

    def touched(self, interval: Interval) -> int:
        """Return the slots that share time with an interval."""
        return self.span(self.floor(interval[0]), self.ceil(interval[1]))


@dataclass(frozen=True, slots=True)
class PlaceIntervals:
    """One place as intervals: when it is open, and when it is taken (turnaround included)."""

    place_id: PlaceId
    open: tuple[Interval, ...]
    busy: tuple[Interval, ...] = ()


@dataclass(frozen=True, slots=True)
class PlaceTimeline:
    """One place as a bitset of free slots."""

    place_id: PlaceId
    free: int


def free_bits(grid: Grid, opened: Sequence[Interval], busy: Sequence[Interval] = ()) -> int:
    """Return the slots that are wholly open and untouched by anything busy.

    ValueError names an interval that ends before or when it starts.
    """
    free = taken = 0
    for interval in _merged(_checked(opened, "open")):
        free |= grid.inside(interval)
    for interval in _checked(busy, "busy"):
        taken |= grid.touched(interval)
    return free & ~taken


def stamped_intervals(stamps: bytes) -> tuple[Interval, ...]:
    """Return intervals from starts and ends in turn, written as for `touched_slots`: exact to the microsecond."""
    return tuple(
        (STAMPS_BEGIN + timedelta(microseconds=start), STAMPS_BEGIN + timedelta(microseconds=end))
        for start, end in iter_unpack(">qq", stamps)
    )


def touched_slots(grid: Grid, stamps: bytes) -> int:
    """Return the slots that share time with any of many intervals.

    `stamps` are starts and ends in turn as PostgreSQL sends instants: 64-bit big-endian integers of microseconds
    since 2000-01-01 UTC. So tens of thousands of bookings become slots without an object each.
    """
    import numpy as np

    edges = np.frombuffer(stamps, ">i8").astype(np.int64).reshape(-1, 2)
    edges -= (grid.start - STAMPS_BEGIN) // timedelta(microseconds=1)
    size = grid.minutes_per_slot * 60_000_000
    first = np.clip(edges[:, 0] // size, 0, grid.slots)
    stop = np.clip(-(-edges[:, 1] // size), 0, grid.slots)
    begun, ended = (np.bincount(row, minlength=grid.slots + 1) for row in (first, stop))
    taken = np.cumsum(begun - ended)[:-1] > 0
    return int.from_bytes(np.packbits(taken, bitorder="little").tobytes(), "little")


def timelines(
    grid: Grid, places: Mapping[str, Sequence[PlaceIntervals]]
) -> dict[str, tuple[PlaceTimeline, ...]]:
    """Return the timelines of places given as intervals, per resource kind."""
    return {
        kind: tuple(
            PlaceTimeline(row.place_id, free_bits(grid, row.open, row.busy)) for row in rows
        )
        for kind, rows in places.items()
    }


def runs(free: int, length: int) -> int:
    """Return the slots from which `length` slots in a row are free."""
    have = 1
    while have < length:
        step = min(have, length - have)
        free &= free >> step
        have += step
    return free


def dilate(bits: int, low: int, high: int) -> int:
    """Return every slot that lies `low` to `high` slots (both included) after a set one."""
    have, want = 1, high - low + 1
    if want < 1:
        return 0
    while have < want:
        step = min(have, want - have)
        bits |= bits << step
        have += step
    return bits << low if low >= 0 else bits >> -low


def shift_back(bits: int, slots: int) -> int:
    """Return the bits moved `slots` towards the past; negative moves towards the future."""
    return bits >> slots if slots >= 0 else bits << -slots


def at_least(sets: Iterable[int], count: int, full: int) -> int:
    """Return the slots that are set in at least `count` of the sets."""
    if count == 1:
        return reduce(or_, sets, 0) & full
    reached = [full] + [0] * count
    for bits in sets:
        for level in range(count, 0, -1):
            reached[level] |= reached[level - 1] & bits
    return reached[count]


def ascending(bits: int) -> Iterator[int]:
    """Yield the set slots, first one first."""
    while bits:
        low = bits & -bits
        yield low.bit_length() - 1
        bits ^= low


def descending(bits: int) -> Iterator[int]:
    """Yield the set slots, last one first."""
    while bits:
        top = bits.bit_length() - 1
        yield top
        bits ^= 1 << top


@lru_cache(maxsize=64)
def clock_periods(grid: Grid, zone: ZoneInfo) -> tuple[tuple[int, int, int], ...]:
    """Return stretches of one offset from UTC: (first slot, slot after the last, offset in minutes)."""
    periods: list[tuple[int, int, int]] = []
    first, at = 0, grid.start
    while at < grid.end:
        after = min(at + timedelta(days=1), grid.end)
        if _offset(at, zone) != _offset(after, zone):
            change = grid.ceil(change_between(at, after, zone))
            periods.append((first, change, _offset(at, zone)))
            first = change
        at = after
    if first < grid.slots:
        periods.append((first, grid.slots, _offset(grid.at(first), zone)))
    return tuple(periods)


@lru_cache(maxsize=64)
def raster_bits(grid: Grid, zone: ZoneInfo, minutes: int) -> int:
    """Return the slots that begin on a whole `minutes` of the local clock, counted from midnight."""
    if minutes < 1 or minutes % grid.minutes_per_slot:
        raise ValueError(
            f"Visits cannot start every {minutes} minutes: "
            f"choose a multiple of {grid.minutes_per_slot}."
        )
    step, bits = minutes // grid.minutes_per_slot, 0
    epoch = int(grid.start.timestamp()) // 60
    for first, stop, offset in clock_periods(grid, zone):
        ahead = -(epoch + offset + first * grid.minutes_per_slot) % minutes
        if ahead % grid.minutes_per_slot:
            continue  # an offset that never meets the grid, such as local mean time
        begin = first + ahead // grid.minutes_per_slot
        count = -((begin - stop) // step)
        if count > 0:
            bits |= ((1 << (step * count)) - 1) // ((1 << step) - 1) << begin
    return bits & grid.full


@lru_cache(maxsize=64)
def day_masks(grid: Grid, zone: ZoneInfo) -> tuple[int, ...]:
    """Return the slots that begin on each local day of the grid, in order of days."""
    return tuple(mask for _, mask in _days(grid, zone))


@lru_cache(maxsize=64)
def weekday_bits(grid: Grid, zone: ZoneInfo, weekdays: frozenset[int]) -> int:
    """Return the slots that begin on local days of the given weekdays, Monday being 0."""
    return sum(mask for weekday, mask in _days(grid, zone) if weekday in weekdays)


def _days(grid: Grid, zone: ZoneInfo) -> Iterator[tuple[int, int]]:
    """Yield weekday and slots of every local day; the days do not overlap."""
    day = local_day(grid.start, zone)
    while day <= local_day(grid.end, zone):
        start, end = local_day_bounds(day, zone)
        mask = grid.span(grid.ceil(start), grid.ceil(end))
        if mask:
            yield day.weekday(), mask
        day += timedelta(days=1)


def _offset(at: datetime, zone: ZoneInfo) -> int:
    offset = at.astimezone(zone).utcoffset()
    assert offset is not None  # a ZoneInfo always knows
    return int(offset.total_seconds()) // 60


def _merged(intervals: Iterable[Interval]) -> Iterator[Interval]:
    """Join intervals that touch, so that a slot across the seam counts as free."""
    joined: Interval | None = None
    for start, end in sorted(intervals):
        if joined is not None and start <= joined[1]:
            joined = (joined[0], max(joined[1], end))
            continue
        if joined is not None:
            yield joined
        joined = (start, end)
    if joined is not None:
        yield joined


def _checked(intervals: Sequence[Interval], name: str) -> Iterator[Interval]:
    for start, end in intervals:
        if end <= start:
            raise ValueError(f"The {name} time from {start} to {end} ends before it begins.")
        yield start, end
