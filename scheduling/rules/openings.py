"""Opening hours: local clock times on weekdays become intervals of absolute time.

A day has 23, 24 or 25 hours when the clocks change; hours are read on each day's own clock. An edge that
the clock skips moves to the first time after the gap; of an edge that happens twice, the first counts for
opening and the second for closing, so that what the door says is what holds.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import pairwise

from scheduling.rules.elapsed import LocalTimeProblem, Zone, load_zone, local_day, parse_local
from scheduling.rules.timeline import Interval

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_SPAN = re.compile(r"(\d{1,2}):(\d{2})\s*(?:-|–|to)\s*(\d{1,2}):(\d{2})")


@dataclass(frozen=True, slots=True, order=True)
class Hours:
    """Open on one weekday (Monday is 0) from `opens` to `closes` of the local clock."""

    weekday: int
    opens: time
    closes: time


def local_edge(day: date, at: time, zone: Zone, *, closing: bool = False) -> datetime:
    """Return the instant, in UTC, at which the local clock shows `at` on `day`."""
    try:
        return parse_local(datetime.combine(day, at), zone, fold=1 if closing else 0)
    except LocalTimeProblem as problem:
        return problem.choices[0].at


def open_between(
    hours: Iterable[Hours],
    zone: Zone,
    start: datetime,
    end: datetime,
    shifts: Collection[Interval] = (),
) -> tuple[Interval, ...]:
    """Return when something with these hours is open within [start, end), in order, joined where they touch.

    Shifts are hours of their own; on the local day on which one begins they take the place of the weekly ones.
    """
    tz = load_zone(zone)
    instead = {local_day(begin, tz) for begin, _ in shifts}
    by_weekday: dict[int, list[Hours]] = {}
    for row in hours:
        by_weekday.setdefault(row.weekday, []).append(row)
    found = [(max(begin, start), min(finish, end)) for begin, finish in shifts]
    day, last = local_day(start, tz), local_day(end, tz)
    while by_weekday and day <= last:
        for row in by_weekday.get(day.weekday(), ()) if day not in instead else ():
            opens = local_edge(day, row.opens, tz)
            closes = local_edge(day, row.closes, tz, closing=True)
            found.append((max(opens, start), min(closes, end)))
        day += timedelta(days=1)
    return joined(found)


def joined(intervals: Iterable[Interval]) -> tuple[Interval, ...]:
    """Return the union of intervals, in order; empty ones are dropped."""
    union: list[Interval] = []
    for begin, finish in sorted(row for row in intervals if row[0] < row[1]):
        if union and begin <= union[-1][1]:
            union[-1] = (union[-1][0], max(union[-1][1], finish))
        else:
            union.append((begin, finish))
    return tuple(union)


def without(intervals: Iterable[Interval], closed: Iterable[Interval]) -> tuple[Interval, ...]:
    """Return `intervals` less the time in `closed`."""
    left, cuts = list(joined(intervals)), joined(closed)
    for cut in cuts:
        left = [part for row in left for part in _cut(row, cut)]
    return tuple(left)


def both(one: Iterable[Interval], other: Iterable[Interval]) -> tuple[Interval, ...]:
    """Return the time that lies in both of two unions of intervals."""
    rows = list(other)
    return joined((max(a, c), min(b, d)) for a, b in one for c, d in rows)


def read_hours(text: str) -> tuple[tuple[time, time], ...]:
    """Read opening hours of one weekday such as "08:00-12:00 13:00-17:30"; nothing means closed.

    ValueError says what is wrong: unreadable text, no such time, an end not after its start, an overlap.
    """
    rest = _SPAN.sub(" ", text).strip(" ,;\t")
    if rest:
        raise ValueError(f"“{rest}” is not understood. Write hours as 08:00-12:00 13:00-17:30.")
    spans = []
    for opens_h, opens_m, closes_h, closes_m in _SPAN.findall(text):
        opens, closes = _clock(opens_h, opens_m), _clock(closes_h, closes_m)
        if closes <= opens:
            raise ValueError(f"{opens:%H:%M} to {closes:%H:%M} ends before it starts.")
        spans.append((opens, closes))
    spans.sort()
    for before, after in pairwise(spans):
        if after[0] < before[1]:
            raise ValueError(
                f"The hours from {after[0]:%H:%M} overlap those until {before[1]:%H:%M}."
            )
    return tuple(spans)


def say_hours(spans: Sequence[tuple[time, time]]) -> str:
    """Return opening hours as they are typed: "08:00-12:00 13:00-17:30"."""
    return " ".join(f"{opens:%H:%M}-{closes:%H:%M}" for opens, closes in spans)


def _clock(hour: str, minute: str) -> time:
    try:
        return time(int(hour), int(minute))
    except ValueError as problem:
        raise ValueError(f"{hour}:{minute} is not a time of day.") from problem


def _cut(row: Interval, cut: Interval) -> Iterator[Interval]:
    if cut[1] <= row[0] or row[1] <= cut[0]:
        yield row
        return
    if row[0] < cut[0]:
        yield row[0], cut[0]
    if cut[1] < row[1]:
        yield cut[1], row[1]


def say_week(hours: Iterable[Hours]) -> list[str]:
    """Return a week of hours in words, days with equal hours together: "Monday to Friday 08:00-17:00"."""
    by_day = dict.fromkeys(range(7), "")
    for row in sorted(hours):
        by_day[row.weekday] = (
            f"{by_day[row.weekday]} {say_hours([(row.opens, row.closes)])}".strip()
        )
    lines: list[str] = []
    first = 0
    for day in range(1, 8):
        if day < 7 and by_day[day] == by_day[first]:
            continue
        names = WEEKDAYS[first] if day - 1 == first else f"{WEEKDAYS[first]} to {WEEKDAYS[day - 1]}"
        if by_day[first]:
            lines.append(f"{names} {by_day[first]}")
        first = day
    return lines
