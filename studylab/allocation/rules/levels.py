"""Levels of the open factors for methods that draw arms one by one: balanced within every arm.

Each arm has a stream of its own: all combinations of levels, one to three times over, in random order, then
again. So whoever sees the levels cannot count an arm's next one off, and no level runs away within an arm.
"""

from collections.abc import Iterator
from itertools import product

from studylab.allocation.rules.drbg import DRBG_VERSION, Drbg
from studylab.studies.rules.protocol import AllocationPlan

_ROUNDS = 3


class OpenLevels:
    """The streams of one stratum; `version` and `stratum` keep the streams of lists apart."""

    def __init__(self, plan: AllocationPlan, seed: bytes, version: str, stratum: str) -> None:
        self._keys = tuple(factor.key for factor in plan.open_factors)
        self._streams = {
            arm.key: self._stream(
                plan, Drbg(seed, f"{version}|{DRBG_VERSION}|{stratum}|levels|{arm.key}".encode())
            )
            for arm in plan.arms
        }

    @staticmethod
    def _stream(plan: AllocationPlan, drbg: Drbg) -> Iterator[tuple[str, ...]]:
        unit = list(product(*(factor.levels for factor in plan.open_factors)))
        while True:
            cells = unit * (1 + drbg.below(_ROUNDS))
            drbg.shuffle(cells)
            yield from cells

    def next_of(self, arm: str) -> tuple[tuple[str, str], ...]:
        """Return (factor, level) pairs for the next person of the arm; empty without open factors."""
        if not self._keys:
            return ()
        return tuple(zip(self._keys, next(self._streams[arm]), strict=True))
