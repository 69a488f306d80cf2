"""Which places fit which occupations, as sets of starts; what was worked out once is kept.

Interchangeable places are put together before anything is combined: a kind answers "from which slots is one
of them free for so long" with one set of bits, and single places matter only for the series that are shown.
"""

from collections.abc import Container, Iterator, Mapping, Sequence
from functools import lru_cache, reduce
from itertools import combinations
from operator import or_

from scheduling.rules.occupation import Occupation, Request
from scheduling.rules.timeline import Grid, PlaceId, PlaceTimeline, at_least

# (slot, slots that must be free from there)
Spot = tuple[int, int]
# kind, slots after the visit's start, slots that must be free, places at once
Group = tuple[str, int, int, int]


class KindPlaces:
    """The places of one kind on a grid of `slots`, with the runs of free slots found so far."""

    def __init__(self, slots: int, rows: Sequence[PlaceTimeline]) -> None:
        self.rows = tuple(rows)
        self._slots = slots
        # Per place: free for 1 slot in a row, for 2, for 4, and so on. Every other length is two of these.
        self._doubled: list[list[int]] = []
        self._free_for: dict[tuple[int, int], int] = {}
        self._flags: dict[int, list[bytes | None]] = {}
        self._cut: dict[int, KindPlaces] = {}

    def within(self, slots: int) -> "KindPlaces":
        """Return the same places on the first `slots` of the grid."""
        if slots not in self._cut:
            self._cut[slots] = KindPlaces(slots, self.rows)
        return self._cut[slots]

    def only(self, index: int) -> "KindPlaces":
        """Return one place alone; it shares what was found about it."""
        alone = KindPlaces(self._slots, self.rows[index : index + 1])
        alone._doubled = self._all_doubled()[index : index + 1]
        return alone

    def free_for(self, length: int, count: int) -> int:
        """Return the slots from which at least `count` of the places are free for `length` slots."""
        key = (length, count)
        if key not in self._free_for:
            sets = [_run(doubled, length) for doubled in self._all_doubled()]
            full = (1 << self._slots) - 1
            self._free_for[key] = (
                reduce(or_, sets, 0) if count == 1 else at_least(sets, count, full)
            )
        return self._free_for[key]

    def free_at(self, at: int, length: int) -> Iterator[PlaceId]:
        """Yield the places that are free from slot `at` on for `length` slots."""
        byte, bit, flags = at >> 3, at & 7, self._of_length(length)
        for index, row in enumerate(self.rows):
            if (flags[index] or self._flag(index, length))[byte] >> bit & 1:
                yield row.place_id

    def first_free(self, spots: Sequence[Spot]) -> PlaceId | None:
        """Return the first place that is free for all the spots, or None."""
        asked = [(at >> 3, at & 7, length, self._of_length(length)) for at, length in spots]
        for index, row in enumerate(self.rows):
            for byte, bit, length, flags in asked:
                if not (flags[index] or self._flag(index, length))[byte] >> bit & 1:
                    break
            else:
                return row.place_id
        return None

    def _of_length(self, length: int) -> list[bytes | None]:
        found = self._flags.get(length)
        if found is None:
            found = self._flags[length] = [None] * len(self.rows)
        return found

    def _flag(self, index: int, length: int) -> bytes:
        """Return the runs of a place as bytes: a byte is looked up at once, a bit of a big integer is not."""
        bits = _run(self._all_doubled()[index], length)
        flag = self._flags[length][index] = bits.to_bytes(self._slots // 8 + 1, "little")
        return flag

    def _all_doubled(self) -> list[list[int]]:
        if not self._doubled:
            full = (1 << self._slots) - 1
            self._doubled = [[row.free & full] for row in self.rows]
        return self._doubled


def _run(doubled: list[int], length: int) -> int:
    """Return the slots from which one place is free for `length` slots."""
    step = max(length, 1).bit_length() - 1
    while len(doubled) <= step:
        doubled.append(doubled[-1] & doubled[-1] >> (1 << len(doubled) - 1))
    rest = length - (1 << step)
    return doubled[step] & doubled[step] >> rest if rest > 0 else doubled[step]


class Fits:
    """Which places fit which occupations, as sets of visit starts."""

    def __init__(
        self, grid: Grid, places: Mapping[str, Sequence[PlaceTimeline] | KindPlaces]
    ) -> None:
        self.grid = grid
        self._kinds = {
            kind: rows if isinstance(rows, KindPlaces) else KindPlaces(grid.slots, rows)
            for kind, rows in places.items()
        }
        ids = [row.place_id for kind in self._kinds.values() for row in kind.rows]
        self.shared = len(set(ids)) < len(ids)  # a place listed under two kinds

    @property
    def places(self) -> dict[str, tuple[PlaceTimeline, ...]]:
        """The places per kind."""
        return {kind: places.rows for kind, places in self._kinds.items()}

    def of(self, kind: str) -> KindPlaces:
        """Return the places of a kind; none when there is no such kind."""
        return self._kinds.get(kind) or KindPlaces(self.grid.slots, ())

    def within(self, grid: Grid) -> "Fits":
        """Return the same places on a grid that is the beginning of this one."""
        return Fits(grid, {kind: row.within(grid.slots) for kind, row in self._kinds.items()})

    def with_kind(self, kind: str, places: Sequence[PlaceTimeline] | KindPlaces) -> "Fits":
        """Return the same with other places of one kind; what was found about the others stays known."""
        return Fits(self.grid, {**self._kinds, kind: places})

    def starts(self, needed: Sequence[Occupation]) -> int:
        """Return the visit starts at which each group of like occupations finds enough places.

        Exact when `is_exact(needed)`; otherwise a superset, to be settled by `assign`.
        """
        bits = self.grid.full
        for kind, first, length, count in groups(tuple(needed), self.grid.minutes_per_slot):
            bits &= self.of(kind).free_for(length, count) >> first
        return bits

    def is_exact(self, needed: Sequence[Occupation]) -> bool:
        """Whether `starts` needs no further check: like occupations only, or none at the same time."""
        return not self.shared and not competing(tuple(needed))

    def requests(
        self,
        visit: int,
        start: int,
        needed: Sequence[Occupation],
        settled: Container[tuple[int, int]] = (),
    ) -> Iterator[Request]:
        """Yield the requests of visit number `visit` (an index) when it starts at slot `start`.

        Those whose keys are `settled` are left out.
        """
        begin = start * self.grid.minutes_per_slot
        for number, row in enumerate(needed):
            key = (visit, number)
            if key not in settled:
                first, length = slots_of(row, self.grid.minutes_per_slot)
                free = tuple(self.of(row.kind).free_at(start + first, length))
                yield Request(key, row.kind, begin + row.start, begin + row.held_until, free)


def slots_of(row: Occupation, size: int) -> tuple[int, int]:
    """Return the first slot of an occupation after the visit's start, and how many it holds with turnaround."""
    first = row.start // size
    return first, -(-row.held_until // size) - first


@lru_cache(maxsize=256)
def groups(needed: tuple[Occupation, ...], size: int) -> tuple[Group, ...]:
    """Return like occupations together: kind, first slot, slots, and how many at once."""
    counts: dict[tuple[str, int, int], int] = {}
    for row in needed:
        key = (row.kind, *slots_of(row, size))
        counts[key] = counts.get(key, 0) + 1
    return tuple((*key, count) for key, count in counts.items())


@lru_cache(maxsize=256)
def competing(needed: tuple[Occupation, ...]) -> bool:
    """Whether different occupations of a visit want places of one kind at the same time."""
    return any(
        (one.start, one.held_until) != (other.start, other.held_until)
        for one, other in _at_once(needed)
    )


@lru_cache(maxsize=256)
def doubled(needed: tuple[Occupation, ...]) -> frozenset[str]:
    """Return the kinds of which a visit wants two places at a time."""
    return frozenset(one.kind for one, _ in _at_once(needed))


def _at_once(needed: tuple[Occupation, ...]) -> Iterator[tuple[Occupation, Occupation]]:
    return (
        (one, other)
        for one, other in combinations(needed, 2)
        if one.kind == other.kind and one.overlaps(other)
    )
