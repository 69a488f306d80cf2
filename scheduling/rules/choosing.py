"""Places for a series whose starts are settled: few different ones, none twice at once."""

from collections import Counter
from collections.abc import Sequence

from scheduling.rules.fits import doubled, slots_of
from scheduling.rules.occupation import Occupation, assign
from scheduling.rules.problem import Problem
from scheduling.rules.timeline import PlaceId

Chosen = dict[tuple[int, int], PlaceId]


# A use of a kind by a visit: index of the visit, number of the occupation, its first slot, its slots.
Use = tuple[int, int, int, int]


class Chooser:
    """Gives places to series; remembers which single visits cannot be served at a start."""

    def __init__(self, problem: Problem) -> None:
        self._fits, self._needed = problem.fits, problem.needed
        self._exact = [self._fits.is_exact(needed) for needed in self._needed]
        self._possible: dict[tuple[int, int], bool] = {}
        size = problem.grid.minutes_per_slot
        self._reach = [
            -(-max((row.held_until for row in needed), default=0) // size)
            for needed in self._needed
        ]
        self._in_turn = {} if self._fits.shared else _in_turn(self._needed, size)

    def choose(self, starts: Sequence[int]) -> Chosen | None:
        """Return a place for each (visit index, occupation index), or None."""
        for index, start in enumerate(starts):
            if not self._exact[index] and not self._visit_possible(index, start):
                return None
        chosen: Chosen = {}
        if self._apart(starts):
            for kind, uses in self._in_turn.items():
                self._one_after_the_other(kind, uses, starts, chosen)
            if len(chosen) == sum(map(len, self._needed)):
                return chosen
        rest = [
            row
            for index, start in enumerate(starts)
            for row in self._fits.requests(index, start, self._needed[index], settled=chosen)
        ]
        found = assign(rest)
        return None if found is None else chosen | found

    def _one_after_the_other(
        self, kind: str, uses: Sequence[Use], starts: Sequence[int], chosen: Chosen
    ) -> None:
        """Choose for uses that cannot hinder each other: what `assign` chooses, without weighing everything.

        One place for all of them where there is one; else those that can serve most of them. The starts must be
        possible for each visit alone.
        """
        places = self._fits.of(kind)
        spots = [(starts[visit] + first, length) for visit, _, first, length in uses]
        place = places.first_free(spots)
        if place is not None:
            for visit, number, _, _ in uses:
                chosen[visit, number] = place
            return
        free = [list(places.free_at(at, length)) for at, length in spots]
        liking = Counter(place for row in free for place in row)
        for (visit, number, _, _), row in zip(uses, free, strict=True):
            chosen[visit, number] = best = max(row, key=liking.__getitem__)
            liking[best] += 1

    def _apart(self, starts: Sequence[int]) -> bool:
        """Whether each visit is over, turnaround included, before the next begins."""
        return all(
            before + reach <= after
            for before, reach, after in zip(starts, self._reach, starts[1:], strict=False)
        )

    def _visit_possible(self, index: int, start: int) -> bool:
        key = (index, start)
        if key not in self._possible:
            rows = list(self._fits.requests(index, start, self._needed[index]))
            self._possible[key] = assign(rows) is not None
        return self._possible[key]


def _in_turn(needed: Sequence[tuple[Occupation, ...]], size: int) -> dict[str, list[Use]]:
    """Return the uses of each kind of which no visit wants two places at a time, in order of time."""
    uses: dict[str, list[Use]] = {}
    for visit, rows in enumerate(needed):
        for number, row in sorted(enumerate(rows), key=lambda pair: pair[1].start):
            uses.setdefault(row.kind, []).append((visit, number, *slots_of(row, size)))
    at_once = {kind for rows in needed for kind in doubled(rows)}
    return {kind: rows for kind, rows in uses.items() if kind not in at_once}
