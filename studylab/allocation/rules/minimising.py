"""Minimisation with a random element (Pocock and Simon 1975): margins of several factors kept alike.

The next arm depends on who came before, so no list can be made beforehand. What is sealed beforehand is the
seed: with it and the levels of the people in the order of their numbers every arm follows, and can be worked
out again by anybody once the seed is published.

An arm with the ratio r counts as r shares of one, all shares alike, so that every arm keeps its ratio at
every place (own extension). For each share the newcomer is added and the imbalance of their levels summed:
`totals` the people at these levels, `range` largest minus smallest, `squares` the squared distances of each
two shares. A single best share is taken with `percent` in a hundred, equally good ones are drawn from.
"""

from collections.abc import Mapping, Sequence
from itertools import combinations

from studylab.allocation.rules.drawn import shares_of
from studylab.allocation.rules.drbg import DRBG_VERSION, Drbg
from studylab.allocation.rules.levels import OpenLevels
from studylab.allocation.rules.places import ONE_STRATUM, ListRow
from studylab.studies.rules.protocol import AllocationPlan

VERSION = "minimisation/1"
MEASURES = ("totals", "range", "squares")
Levels = Mapping[str, str]


def imbalance(counts: Sequence[Sequence[int]], share: int, measure: str) -> int:
    """Return the summed imbalance if the newcomer went to `share`.

    `counts` has a row for each factor: how many people at the newcomer's level each share has so far.
    """
    if measure == "totals":
        return sum(row[share] for row in counts)
    total = 0
    for row in counts:
        after = [count + (place == share) for place, count in enumerate(row)]
        if measure == "range":
            total += max(after) - min(after)
        else:
            total += sum((one - other) ** 2 for one, other in combinations(after, 2))
    return total


def best_shares(counts: Sequence[Sequence[int]], shares: int, measure: str) -> list[int]:
    """Return the shares with the smallest imbalance; several at a tie."""
    values = [imbalance(counts, share, measure) for share in range(shares)]
    return [share for share, value in enumerate(values) if value == min(values)]


class Minimiser:
    """The state of one study: shares so far at each level. `take` adds the next person."""

    def __init__(self, plan: AllocationPlan, *, percent: int, measure: str, seed: bytes) -> None:
        self._plan, self._percent, self._measure = plan, percent, measure
        self._shares = shares_of(plan)
        self._counts: dict[tuple[str, str], list[int]] = {
            (name, level): [0] * len(self._shares)
            for name, levels in plan.strata.items()
            for level in levels
        }
        self._levels = OpenLevels(plan, seed, VERSION, ONE_STRATUM)
        self._drbg = Drbg(seed, f"{VERSION}|{DRBG_VERSION}".encode())
        self._position = 0

    def favoured(self, levels: Levels) -> list[str]:
        """Return the arms of the best shares, one entry a share."""
        return [self._shares[share] for share in self._best(levels)]

    def _best(self, levels: Levels) -> list[int]:
        rows = [self._counts[name, levels[name]] for name in self._plan.strata]
        return best_shares(rows, len(self._shares), self._measure)

    def take(self, levels: Levels) -> ListRow:
        """Return the next person's row. `levels` has a level of the plan for each of its factors."""
        self._position += 1
        share = self._draw(self._best(levels))
        for name in self._plan.strata:
            self._counts[name, levels[name]][share] += 1
        arm = self._shares[share]
        return ListRow(ONE_STRATUM, self._position, arm, self._levels.next_of(arm), 0)

    def _draw(self, best: list[int]) -> int:
        shares = len(self._shares)
        # Mixing the best with all shares: a single best one comes with exactly `percent` in a hundred, and
        # at a tie no other share is ever likelier than the best ones.
        favoured = self._drbg.below(100 * (shares - 1)) < self._percent * shares - 100
        pool = best if favoured else list(range(shares))
        return pool[self._drbg.below(len(pool))]


def minimised(
    *, plan: AllocationPlan, percent: int, measure: str, seed: bytes, people: Sequence[Levels]
) -> tuple[ListRow, ...]:
    """Return one row for each of `people`, in the order of their numbers."""
    minimiser = Minimiser(plan, percent=percent, measure=measure, seed=seed)
    return tuple(minimiser.take(levels) for levels in people)
