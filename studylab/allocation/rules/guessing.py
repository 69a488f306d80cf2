"""How often somebody who knows all past arms names the next one, shown to the pharmacist before sealing.

The guesser follows the convergence strategy (Blackwell and Hodges 1957): name the arm that is due most. For
two arms 1:1 in a block of 2b the share of right guesses is (b + EF) / 2b with EF = 2^(2b-1) / C(2b, b) - 1/2.
A pulse after the dose gives past arms away, so a guesser who knows them is the one to plan for.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from studylab.studies.rules.protocol import AllocationPlan


@dataclass(frozen=True, slots=True)
class BlockGuess:
    """One block size: places of each arm in it, the share of right guesses, and the share that is certain."""

    size: int
    places: tuple[int, ...]
    right: Fraction
    certain: Fraction


@dataclass(frozen=True, slots=True)
class PlanGuess:
    """What the pharmacist weighs: each size, all sizes together, and pure chance."""

    blocks: tuple[BlockGuess, ...]
    right: Fraction
    chance: Fraction


@cache
def _expected(left: tuple[int, ...]) -> tuple[Fraction, Fraction]:
    """Expected numbers of (right, certain) guesses in what is left of a block; `left` is sorted."""
    total = sum(left)
    if total == 0:
        return Fraction(0), Fraction(0)
    right = Fraction(max(left), total)
    certain = Fraction(1 if max(left) == total else 0)
    for place, count in enumerate(left):
        if count:
            rest = tuple(sorted((*left[:place], count - 1, *left[place + 1 :])))
            more_right, more_certain = _expected(rest)
            right += Fraction(count, total) * more_right
            certain += Fraction(count, total) * more_certain
    return right, certain


def block_guess(places: Iterable[int]) -> BlockGuess:
    """Return the guesser's share in one block with this many places of each arm, the size being known."""
    counts = tuple(places)
    size = sum(counts)
    right, certain = _expected(tuple(sorted(counts)))
    return BlockGuess(size, counts, right / size, certain / size)


def plan_guess(plan: AllocationPlan, sizes: Sequence[int]) -> PlanGuess:
    """Return the guesser's share for block sizes that are drawn equally often.

    Plan and sizes are consistent (`design.design_problems` finds nothing).
    """
    ratios = [arm.ratio for arm in plan.arms]
    unit = sum(ratios)
    blocks = tuple(block_guess(ratio * (size // unit) for ratio in ratios) for size in sizes)
    places = sum(block.size for block in blocks)
    right = sum((block.right * block.size for block in blocks), Fraction(0)) / places
    return PlanGuess(blocks, right, Fraction(max(ratios), unit))
