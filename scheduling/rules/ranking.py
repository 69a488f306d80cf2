"""Series in order of rank without trying every combination.

All series with the same distances between their visits are one set of first starts: the starts of visit 1
that can be followed at exactly those distances. Distances are walked in order of their deviation from the
targets, so that the best series come first and the walk stops when enough are found.
"""

import heapq
from collections.abc import Iterator, Sequence
from itertools import count, groupby, pairwise

from scheduling.rules.series import Problem
from scheduling.rules.timeline import ascending, clock_periods, day_masks, descending, shift_back

DAY_MINUTES = 24 * 60

# Deviation from the targets in minutes, slots from the first visit to each, starts of the first visit.
Distances = tuple[int, tuple[int, ...], int]
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
    low = max(offsets[link.first] + link.low for link in links)
    high = min(offsets[link.first] + link.high for link in links)
    size, step = problem.grid.minutes_per_slot, problem.step
    return sorted(
        (sum(link.deviation(offset - offsets[link.first], size) for link in links), offset)
        for offset in range(-(-low // step) * step, high + 1, step)
    )


class DayCap:
    """Counts the accepted options per local day of the first visit and closes days that have enough."""

    def __init__(self, problem: Problem) -> None:
        self.limit = problem.preferences.per_day
        self.open = problem.grid.full
        self._left: dict[int, int] = {}
        masks = day_masks(problem.grid, problem.zone) if self.limit else (self.open,)
        self._masks = masks if problem.preferences.earliest else masks[::-1]

    def split(self, bits: int) -> Iterator[int]:
        """Yield the part of `bits` on each day, in the preferred order."""
        for mask in self._masks:
            if bits & mask:
                yield bits & mask

    def accept(self, start: int) -> None:
        """Count an option; close its day when that was the last one wanted."""
        if not self.limit:
            return
        mask = next(mask for mask in self._masks if mask >> start & 1)
        self._left[mask] = self._left.get(mask, self.limit) - 1
        if not self._left[mask]:
            self.open &= ~mask


def ranked(problem: Problem, starts: Sequence[int], days: DayCap) -> Iterator[Found]:
    """Yield every series on days that are still open, best first; the caller closes days as it accepts.

    Order: deviation from the targets, then difference in clock time, then date as preferred.
    """
    for deviation, level in groupby(distances(problem, starts), key=lambda row: row[0]):
        pieces = [
            (clock, offsets, bits)
            for _, offsets, whole in level
            for clock, bits in _by_clock(problem, offsets, whole & days.open)
        ]
        pieces.sort(key=lambda piece: piece[0])
        for clock, group in groupby(pieces, key=lambda piece: piece[0]):
            streams = [_series(problem, days, offsets, bits) for _, offsets, bits in group]
            for visits in heapq.merge(*streams, reverse=not problem.preferences.earliest):
                if days.open >> visits[0] & 1:
                    yield deviation, clock, visits


def _series(
    problem: Problem, days: DayCap, offsets: tuple[int, ...], bits: int
) -> Iterator[tuple[int, ...]]:
    """Yield the series at these distances in the preferred order."""
    walk = ascending if problem.preferences.earliest else descending
    for day in days.split(bits):
        for start in walk(day):
            if not days.open >> start & 1:
                break  # the day filled up meanwhile
            yield tuple(start + offset for offset in offsets)


def _by_clock(problem: Problem, offsets: tuple[int, ...], bits: int) -> Iterator[tuple[int, int]]:
    """Split a set of first starts by the difference in clock time that their series have."""
    periods = clock_periods(problem.grid, problem.zone)
    if not problem.preferences.same_clock:
        yield 0, bits
        return
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
