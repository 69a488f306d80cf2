"""What a visit occupies, from when, and which places can serve it.

A run of consecutive segments that need the same kind is one occupation by one place, so the volunteer
keeps the room and the person where needs run on. A second place of the kind is a second occupation
over the segments that need two, and so on. The turnaround of the kind follows every occupation.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from scheduling.rules.timeline import Grid, PlaceId, PlaceTimeline, at_least, runs
from studylab.studies.rules.protocol import VisitPlan


@dataclass(frozen=True, slots=True)
class Occupation:
    """One place of `kind` in use, in minutes from the visit's start; `first` and `last` are segment indexes."""

    kind: str
    first: int
    last: int
    start: int
    end: int
    held_until: int  # end plus turnaround

    def overlaps(self, other: "Occupation") -> bool:
        """Whether one place could not serve both within one visit."""
        return self.start < other.held_until and other.start < self.held_until


def occupations(visit: VisitPlan, turnaround: Mapping[str, int]) -> tuple[Occupation, ...]:
    """Return everything a visit occupies. A kind without an entry needs no turnaround."""
    counts: dict[str, list[int]] = {}
    for index, segment in enumerate(visit.segments):
        for need in segment.needs:
            counts.setdefault(need.kind, [0] * len(visit.segments))[index] += need.count
    found = []
    for kind, row in counts.items():
        for level in range(1, max(row) + 1):
            for first, last in _stretches([count >= level for count in row]):
                start = sum(segment.minutes for segment in visit.segments[:first])
                end = sum(segment.minutes for segment in visit.segments[: last + 1])
                held = end + turnaround.get(kind, 0)
                found.append(Occupation(kind, first, last, start, end, held))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Request:
    """An occupation at a known time: minutes on one common axis, and the places that are free for it."""

    key: tuple[int, int]  # index of the visit, index of the occupation in it
    kind: str
    start: int
    held_until: int
    candidates: tuple[PlaceId, ...]

    def clashes(self, other: "Request") -> bool:
        """Whether one place could not serve both."""
        return self.start < other.held_until and other.start < self.held_until


class Fits:
    """Which places fit which occupations, as sets of visit starts. One object serves one search."""

    def __init__(self, grid: Grid, places: Mapping[str, Sequence[PlaceTimeline]]) -> None:
        self.grid = grid
        self.places = places
        ids = [row.place_id for rows in places.values() for row in rows]
        self.shared = len(set(ids)) < len(ids)  # a place listed under two kinds
        self._runs: dict[tuple[str, PlaceId, int], int] = {}
        self._bytes: dict[tuple[str, PlaceId, int], bytes] = {}

    def starts_at(self, place: PlaceTimeline, occupation: Occupation) -> int:
        """Return the visit starts at which `place` is free for an occupation and its turnaround."""
        first, length = self._slots(occupation)
        return self._run(place, occupation.kind, length) >> first

    def is_free(self, place: PlaceTimeline, occupation: Occupation, start: int) -> bool:
        """Whether `place` is free for an occupation of a visit that starts at slot `start`."""
        first, length = self._slots(occupation)
        key = (occupation.kind, place.place_id, length)
        flags = self._bytes.get(key)
        if flags is None:  # a byte is looked up at once, a bit of a big integer is not
            bits = self._run(place, occupation.kind, length)
            flags = self._bytes[key] = bits.to_bytes(self.grid.slots // 8 + 1, "little")
        at = start + first
        return bool(flags[at >> 3] >> (at & 7) & 1)

    def _slots(self, occupation: Occupation) -> tuple[int, int]:
        size = self.grid.minutes_per_slot
        first = occupation.start // size
        return first, -(-occupation.held_until // size) - first

    def _run(self, place: PlaceTimeline, kind: str, length: int) -> int:
        key = (kind, place.place_id, length)
        found = self._runs.get(key)
        if found is None:
            found = self._runs[key] = runs(place.free & self.grid.full, length)
        return found

    def starts(self, needed: Sequence[Occupation]) -> int:
        """Return the visit starts at which each group of like occupations finds enough places.

        Exact when `is_exact(needed)`; otherwise a superset, to be settled by `assign`.
        """
        groups: dict[tuple[str, int, int], list[Occupation]] = {}
        for row in needed:
            groups.setdefault((row.kind, row.start, row.held_until), []).append(row)
        bits = self.grid.full
        for (kind, _, _), rows in groups.items():
            sets = [self.starts_at(place, rows[0]) for place in self.places.get(kind, ())]
            bits &= at_least(sets, len(rows), self.grid.full)
        return bits

    def is_exact(self, needed: Sequence[Occupation]) -> bool:
        """Whether `starts` needs no further check: like occupations only, or none at the same time."""
        if self.shared:
            return False
        return all(
            (a.start, a.held_until) == (b.start, b.held_until) or not a.overlaps(b)
            for index, a in enumerate(needed)
            for b in needed[index + 1 :]
            if a.kind == b.kind
        )

    def requests(self, visit: int, start: int, needed: Sequence[Occupation]) -> Iterator[Request]:
        """Yield the requests of visit number `visit` (an index) when it starts at slot `start`."""
        begin = start * self.grid.minutes_per_slot
        for index, row in enumerate(needed):
            free = tuple(
                place.place_id
                for place in self.places.get(row.kind, ())
                if self.is_free(place, row, start)
            )
            key = (visit, index)
            yield Request(key, row.kind, begin + row.start, begin + row.held_until, free)


def one_place_each(
    fits: Fits, needed: Sequence[Sequence[Occupation]], starts: Sequence[int]
) -> dict[tuple[int, int], PlaceId]:
    """Return, for kinds of which one place can serve the whole series alone, that place for each use.

    It is the place that `assign` would choose, found without listing all that are free. Kinds that need
    several places at once are left out.
    """
    chosen: dict[tuple[int, int], PlaceId] = {}
    if fits.shared:
        return chosen
    for kind, rows in _by_kind(fits, needed, starts).items():
        rows.sort()
        if any(after[0] < before[1] for before, after in pairwise(rows)):
            continue
        for place in fits.places.get(kind, ()):
            if all(
                fits.is_free(place, needed[visit][number], starts[visit])
                for _, _, visit, number in rows
            ):
                chosen.update(((visit, number), place.place_id) for _, _, visit, number in rows)
                break
    return chosen


def _by_kind(
    fits: Fits, needed: Sequence[Sequence[Occupation]], starts: Sequence[int]
) -> dict[str, list[tuple[int, int, int, int]]]:
    """Return (start, held until, visit, number) of every use in minutes, per kind."""
    found: dict[str, list[tuple[int, int, int, int]]] = {}
    for visit, rows in enumerate(needed):
        begin = starts[visit] * fits.grid.minutes_per_slot
        for number, row in enumerate(rows):
            use = (begin + row.start, begin + row.held_until, visit, number)
            found.setdefault(row.kind, []).append(use)
    return found


def assign(requests: Sequence[Request]) -> dict[tuple[int, int], PlaceId] | None:
    """Give every request a place so that none serves two at once; None when that cannot be done.

    Places that can serve the kind most often in this series come first, so that a volunteer meets few
    rooms and people; then those already chosen, then the order of the candidates.
    """
    chosen: dict[tuple[int, int], PlaceId] = {}
    liking = Counter((row.kind, place) for row in requests for place in row.candidates)
    for group in _clashing_groups(requests):
        picked = _fill(sorted(group, key=lambda row: (len(row.candidates), row.key)), liking)
        if picked is None:
            return None
        chosen.update(picked)
        liking.update((row.kind, picked[row.key]) for row in group)
    return chosen


def _fill(
    rows: Sequence[Request], liking: Mapping[tuple[str, PlaceId], int]
) -> dict[tuple[int, int], PlaceId] | None:
    """Backtrack over a group whose members may clash; scarce requests come first."""
    picked: list[PlaceId] = []

    def descend(depth: int) -> bool:
        if depth == len(rows):
            return True
        row = rows[depth]
        for place in sorted(row.candidates, key=lambda place: -liking[row.kind, place]):
            if any(place == picked[i] and row.clashes(rows[i]) for i in range(depth)):
                continue
            picked.append(place)
            if descend(depth + 1):
                return True
            picked.pop()
        return False

    if not descend(0):
        return None
    return {row.key: place for row, place in zip(rows, picked, strict=True)}


def _clashing_groups(requests: Sequence[Request]) -> list[list[Request]]:
    """Split requests into groups that cannot hinder each other, in order of time."""
    groups: list[list[Request]] = []
    for row in sorted(requests, key=lambda request: request.start):
        hit = [
            group
            for group in groups
            if any(row.clashes(other) and _share(row, other) for other in group)
        ]
        merged = [other for group in hit for other in group] + [row]
        groups = [group for group in groups if group not in hit] + [merged]
    return sorted(groups, key=lambda group: group[0].start)


def _share(one: Request, other: Request) -> bool:
    return not set(one.candidates).isdisjoint(other.candidates)


def _stretches(flags: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield first and last index of every unbroken row of True."""
    first = None
    for index, flag in enumerate([*flags, False]):
        if flag and first is None:
            first = index
        elif not flag and first is not None:
            yield first, index - 1
            first = None
