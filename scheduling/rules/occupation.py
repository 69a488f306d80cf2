"""What a visit occupies, from when, and a choice of places for it.

A run of consecutive segments that need the same kind is one occupation by one place, so the volunteer
keeps the room and the person where needs run on. A second place of the kind is a second occupation
over the segments that need two, and so on. The turnaround of the kind follows every occupation.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate

from scheduling.rules.timeline import PlaceId
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
    edges = [0, *accumulate(segment.minutes for segment in visit.segments)]
    found = []
    for kind, row in counts.items():
        for level in range(1, max(row) + 1):
            for first, last in _stretches([count >= level for count in row]):
                start, end = edges[first], edges[last + 1]
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


def assign(requests: Sequence[Request]) -> dict[tuple[int, int], PlaceId] | None:
    """Give every request a place so that none serves two at once; None when that cannot be done.

    Places that can serve the kind most often in this series come first, so that a volunteer meets few
    rooms and people; then those already chosen, then the order of the candidates.
    """
    chosen: dict[tuple[int, int], PlaceId] = {}
    liking: defaultdict[str, Counter[PlaceId]] = defaultdict(Counter)
    for row in requests:
        liking[row.kind].update(row.candidates)
    for group in _clashing_groups(requests):
        picked = _fill(sorted(group, key=lambda row: (len(row.candidates), row.key)), liking)
        if picked is None:
            return None
        chosen.update(picked)
        for row in group:
            liking[row.kind][picked[row.key]] += 1
    return chosen


def _fill(
    rows: Sequence[Request], liking: Mapping[str, Counter[PlaceId]]
) -> dict[tuple[int, int], PlaceId] | None:
    """Backtrack over a group whose members may clash; scarce requests come first."""
    picked: list[PlaceId] = []

    def descend(depth: int) -> bool:
        if depth == len(rows):
            return True
        row = rows[depth]
        for place in sorted(row.candidates, key=liking[row.kind].__getitem__, reverse=True):
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
