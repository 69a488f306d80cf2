"""Where instants fall on a drawn calendar: days of 23, 24 or 25 hours, whole hours, lanes.

Heights are elapsed minutes from the top of a day's window, so a visit is as tall as it is long even when
the clocks change inside it; the hour marks carry each day's own clock.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from scheduling.rules.elapsed import Zone, load_zone, local_day, local_day_bounds
from scheduling.rules.openings import local_edge
from scheduling.rules.timeline import Interval

_WEEK = re.compile(r"(\d{4})-W(\d{2})")
YEARS = range(2000, 2101)


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole hour of the local clock, so many minutes below the top."""

    minutes: int
    label: str


@dataclass(frozen=True, slots=True)
class DayFrame:
    """The part of a local day that is drawn: [start, end) in UTC, and its whole hours."""

    day: date
    start: datetime
    end: datetime
    ticks: tuple[Tick, ...]

    @property
    def minutes(self) -> int:
        """Length in elapsed minutes."""
        return (self.end - self.start) // timedelta(minutes=1)

    def clip(self, interval: Interval) -> tuple[float, float] | None:
        """Return where an interval begins and ends, in minutes below the top; None outside the frame."""
        begin, finish = max(interval[0], self.start), min(interval[1], self.end)
        if begin >= finish:
            return None
        minute = timedelta(minutes=1)
        return (begin - self.start) / minute, (finish - self.start) / minute


def read_week(text: str) -> date:
    """Return the Monday of a week written as 2026-W48 (ISO 8601); ValueError says what is wrong."""
    match = _WEEK.fullmatch(text.strip())
    if not match or int(match[1]) not in YEARS:
        raise ValueError(f"“{text}” is not a week. Write it as 2026-W48, years 2000 to 2100.")
    try:
        return date.fromisocalendar(int(match[1]), int(match[2]), 1)
    except ValueError as problem:
        raise ValueError(f"The year {match[1]} has no week {match[2]}.") from problem


def read_day(text: str) -> date:
    """Return a day written as 2026-11-26; ValueError says what is wrong."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError as problem:
        raise ValueError(f"“{text}” is not a day. Write it as 2026-11-26.") from problem
    if day.year not in YEARS:
        raise ValueError(f"The year {day.year} is not shown, only 2000 to 2100.")
    return day


def say_week(monday: date) -> str:
    """Return the week of a day as 2026-W48."""
    year, week, _ = monday.isocalendar()
    return f"{year}-W{week:02}"


def hours_drawn(intervals: Iterable[Interval], zone: Zone) -> tuple[int, int]:
    """Return the first and the last whole hour that all intervals need; 8 to 18 when there is none."""
    tz, first, last = load_zone(zone), 24, 0
    for begin, finish in intervals:
        start, end = begin.astimezone(tz), finish.astimezone(tz)
        if local_day(begin, tz) != local_day(finish - timedelta(microseconds=1), tz):
            return 0, 24
        first = min(first, start.hour)
        ends_at_midnight = end.date() > start.date()
        last = max(last, 24 if ends_at_midnight else end.hour + (end.minute > 0))
    return (first, last) if first < last else (8, 18)


def day_frame(day: date, zone: Zone, first_hour: int, last_hour: int) -> DayFrame:
    """Return the frame of a local day between two whole hours of its clock, 0 to 24."""
    tz = load_zone(zone)
    start = local_edge(day, time(first_hour), tz) if first_hour else local_day_bounds(day, tz)[0]
    end = local_day_bounds(day, tz)[1]
    if last_hour < 24:
        end = local_edge(day, time(last_hour), tz, closing=True)
    changes = start.astimezone(tz).utcoffset() != end.astimezone(tz).utcoffset()
    ticks = []
    for quarter in range((end - start) // timedelta(minutes=15) + 1):
        local = (start + quarter * timedelta(minutes=15)).astimezone(tz)
        if local.minute == 0:
            label = f"{local:%H:%M %Z}" if changes else f"{local:%H:%M}"
            ticks.append(Tick(quarter * 15, label))
    return DayFrame(day, start, end, tuple(ticks))


def side_by_side(intervals: Sequence[Interval]) -> list[int]:
    """Return a lane for each interval, the fewest lanes in which none overlap (first fit by start)."""
    ends: list[datetime] = []
    lanes = [0] * len(intervals)
    for index in sorted(range(len(intervals)), key=lambda i: intervals[i]):
        begin, finish = intervals[index]
        free = next((lane for lane, end in enumerate(ends) if end <= begin), len(ends))
        if free == len(ends):
            ends.append(finish)
        ends[free] = finish
        lanes[index] = free
    return lanes
