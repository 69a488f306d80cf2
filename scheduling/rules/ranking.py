"""Series in order of rank without trying every combination.

All series with the same distances between their visits are one set of first starts: the starts of visit 1
that can be followed at exactly those distances. Distances are walked in order of their deviation from the
targets, so that the best series come first and the walk stops when enough are found.
"""

import heapq
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from functools import lru_cache
from itertools import count, groupby, pairwise

from scheduling.rules.problem import Link, Problem
from scheduling.rules.timeline import ascending, clock_periods, day_masks, descending, shift_back

DAY_MINUTES = 24 * 60

# Deviation from the targets in minutes, slots from the first visit to each, starts of the first visit.
Distances = tuple[int, tuple[int, ...], int]
# Deviation, clock difference in minutes, and per distances the starts of the first visit.
Level = tuple[int, int, list[tuple[tuple[int, ...], int]]]
# Deviation, clock difference in minutes, start slot of each visit.
Found = tuple[int, int, tuple[int, ...]]


def distances(problem: Problem, starts: Sequence[int]) -> Iterator[Distances]:
    """Yield the distances at which a series exists, least deviation from the targets first."""
    if not starts[0]:
        return
    tie = count()
    heap: list[tuple[int, int, tuple[int, ...], int, list[tuple[int, int]], int]] = []

    def push(
        base: int, offsets: tuple[int, ...], bits: int, choices: list[tuple[int, int]], at: int
    ) -> None:
        if at < len(choices):
            heapq.heappush(heap, (base + choices[at][0], next(tie), offsets, bits, choices, at))

    push(0, (), starts[0], [(0, 0)], 0)
    while heap:
        deviation, _, offsets, bits, choices, at = heapq.heappop(heap)
        extra, offset = choices[at]
        push(deviation - extra, offsets, bits, choices, at + 1)
        bits &= shift_back(starts[len(offsets)], offset)
        if not bits:
            continue
        offsets = (*offsets, offset)
        if len(offsets) == len(starts):
            yield deviation, offsets, bits
        else:
            push(deviation, offsets, bits, _choices(problem, offsets), 0)


def _choices(problem: Problem, offsets: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return (added deviation, slots from the first visit) for the next visit, least deviation first."""
    following = len(offsets)
    links = [link for link in problem.links if link.second == following]
    size, step = problem.grid.minutes_per_slot, problem.step
    if len(links) == 1 and not offsets[links[0].first] % step:
        ahead = offsets[links[0].first]
        return [(away, ahead + slots) for away, slots in _steps(links[0], size, step)]
    low = max(offsets[link.first] + link.low for link in links)
    high = min(offsets[link.first] + link.high for link in links)
    return sorted(
        (sum(link.deviation(offset - offsets[link.first], size) for link in links), offset)
        for offset in range(-(-low // step) * step, high + 1, step)
    )


@lru_cache(maxsize=256)
def _steps(link: Link, size: int, step: int) -> tuple[tuple[int, int], ...]:
    """Return (deviation, slots) of a link alone, least deviation first."""
    slots = range(-(-link.low // step) * step, link.high + 1, step)
    return tuple(sorted((link.deviation(count, size), count) for count in slots))


def levels(problem: Problem, starts: Sequence[int], days: "DayCap") -> Iterator[Level]:
    """Yield series of equal rank together, best first.

    Order: deviation from the targets, then difference in clock time; the other way round where one time of day is
    wanted.
    """
    rows = distances(problem, starts)
    clock_first = problem.preferences.same_clock
    for _, group in groupby(rows, key=lambda row: 0 if clock_first else row[0]):
        pieces = [
            ((clock, deviation), offsets, bits)
            for deviation, offsets, whole in group
            for clock, bits in _by_clock(problem, offsets, whole & days.open)
        ]
        pieces.sort(key=lambda piece: piece[0])
        for (clock, deviation), alike in groupby(pieces, key=lambda piece: piece[0]):
            yield deviation, clock, [(offsets, bits) for _, offsets, bits in alike]


def best_conceivable(problem: Problem) -> tuple[int, int, int] | None:
    """Return the deviation and clock difference of the best series that times alone allow, were every place free.

    With it come the slots that such a series takes at most, turnaround included. None when not even the times
    allow a series.
    """
    best = next(levels(problem, problem.frames, DayCap(problem)), None)
    if best is None:
        return None
    holds = list(_holds(problem))
    reach = (
        offset + hold for offsets, _ in best[2] for offset, hold in zip(offsets, holds, strict=True)
    )
    return best[0], best[1], max(reach)


def _holds(problem: Problem) -> Iterator[int]:
    """Yield the slots that each visit takes, with the turnaround of what it occupies."""
    for visit, needed in zip(problem.plan.visits, problem.needed, strict=True):
        minutes = max([visit.minutes, *(row.held_until for row in needed)])
        yield -(-minutes // problem.grid.minutes_per_slot)


class DayCap:
    """Counts the accepted options per local day of the first visit and closes days that have enough."""

    def __init__(self, problem: Problem) -> None:
        self._most = problem.preferences.per_day
        self._earliest = problem.preferences.earliest
        self._masks = day_masks(problem.grid, problem.zone) if self._most else (problem.grid.full,)
        self._stops = [mask.bit_length() for mask in self._masks]
        self._count = [0] * len(self._masks)
        self.open = problem.grid.full

    def split(self, bits: int) -> Iterator[int]:
        """Yield the part of `bits` on each day, in the preferred order."""
        while bits:
            at = (bits & -bits if self._earliest else bits).bit_length() - 1
            day = bits & self._masks[self._day(at)]
            yield day
            bits ^= day

    def is_open(self, start: int) -> bool:
        """Whether the day of a start still takes options."""
        return not self._most or self._count[self._day(start)] < self._most

    def accept(self, start: int) -> None:
        """Count an option; close its day when that was the last one wanted."""
        if self._most and start < self._stops[-1]:
            day = self._day(start)
            self._count[day] += 1
            if self._count[day] == self._most:
                self.open &= ~self._masks[day]

    def _day(self, start: int) -> int:
        return bisect_right(self._stops, start)


def ranked(problem: Problem, starts: Sequence[int], days: DayCap) -> Iterator[Found]:
    """Yield every series on days that are still open, best first; the caller closes days as it accepts.

    Inside a level the dates decide, as preferred.
    """
    for deviation, clock, alike in levels(problem, starts, days):
        streams = [_series(problem, days, offsets, bits) for offsets, bits in alike]
        for visits in heapq.merge(*streams, reverse=not problem.preferences.earliest):
            if days.is_open(visits[0]):
                yield deviation, clock, visits


def order(problem: Problem, found: Found) -> tuple[int, ...]:
    """Return what a series is sorted by, the smallest first."""
    deviation, clock, starts = found
    sign = 1 if problem.preferences.earliest else -1
    rank = (clock, deviation) if problem.preferences.same_clock else (deviation, clock)
    return *rank, *(sign * at for at in starts)


def _series(
    problem: Problem, days: DayCap, offsets: tuple[int, ...], bits: int
) -> Iterator[tuple[int, ...]]:
    """Yield the series at these distances in the preferred order."""
    walk = ascending if problem.preferences.earliest else descending
    for day in days.split(bits):
        for start in walk(day):
            if not days.is_open(start):
                break  # the day filled up meanwhile
            yield tuple(start + offset for offset in offsets)


def _by_clock(problem: Problem, offsets: tuple[int, ...], bits: int) -> Iterator[tuple[int, int]]:
    """Split a set of first starts by the difference in clock time that their series have."""
    periods = clock_periods(problem.grid, problem.zone)
    edges = {0, problem.grid.slots}
    edges |= {first - offset for first, _, _ in periods for offset in offsets}
    inside = sorted(edge for edge in edges if 0 <= edge <= problem.grid.slots)
    for first, stop in pairwise(inside):
        part = bits & problem.grid.span(first, stop)
        if part:
            yield _clock_difference(problem, [first + offset for offset in offsets]), part


def _clock_difference(problem: Problem, slots: Sequence[int]) -> int:
    """Return the sum, over the later visits, of the minutes between their clock time and the first's."""
    clocks = [_clock(problem, slot) for slot in slots]
    gaps = [abs(clock - clocks[0]) for clock in clocks[1:]]
    return sum(min(gap, DAY_MINUTES - gap) for gap in gaps)


def _clock(problem: Problem, slot: int) -> int:
    """Return local minutes after midnight at the beginning of a slot."""
    epoch = int(problem.grid.start.timestamp()) // 60 + slot * problem.grid.minutes_per_slot
    periods = clock_periods(problem.grid, problem.zone)
    offset = next(offset for _, stop, offset in periods if slot < stop)
    return (epoch + offset) % DAY_MINUTES
