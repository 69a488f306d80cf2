"""Exact outlooks of a list of two arms 1:1, and of permuted blocks of any ratio, over its first n places.

Everything follows from the chances of each state before each place. The guesser names the arm that is behind
(convergence strategy, Blackwell and Hodges 1957) and tosses a coin at a tie. Agrees with the published
simulations of Zhao, Weng, Wu and Palesch 2012 (tests).
"""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from math import sqrt


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a method does to a list of `places` numbers, as shares of 1.

    `right`: guesses that are right; `certain`: places known beforehand, None where it was not worked out; `balanced`: places after which the
    arms stand exactly in their ratio; `typical`: root mean square of the difference between the arms at the
    end, in rounds of the ratio (people, for 1:1); `most`: the largest difference there can be, None without
    one; `drawn`: how many lists were drawn for it, 0 when it is exact.
    """

    places: int
    right: float
    certain: float | None
    balanced: float
    typical: float
    most: float | None
    drawn: int = 0


def _walk(places: int, step: Callable[[int], float]) -> tuple[float, float, float, float]:
    """Follow the difference D of two arms; `step(D)` is the chance that the first arm is next."""
    chance: dict[int, float] = {0: 1.0}
    right = certain = balanced = 0.0
    for _ in range(places):
        after: dict[int, float] = defaultdict(float)
        for difference, weight in chance.items():
            first = step(difference)
            behind = first if difference < 0 else 1 - first
            right += weight * (0.5 if difference == 0 else behind)
            certain += weight * (first in (0.0, 1.0))
            after[difference + 1] += weight * first
            after[difference - 1] += weight * (1 - first)
        chance = {d: w for d, w in after.items() if w > 0.0}
        balanced += chance.get(0, 0.0)
    square = sum(d * d * w for d, w in chance.items())
    return right / places, certain / places, balanced / places, sqrt(square)


@cache
def big_stick_walk(places: int, tolerance: int) -> Outlook:
    """Return the outlook of the big stick for two arms 1:1."""

    def step(difference: int) -> float:
        return 0.5 if abs(difference) < tolerance else float(difference < 0)

    return Outlook(places, *_walk(places, step), most=float(tolerance))


@cache
def simple_walk(places: int) -> Outlook:
    """Return the outlook of a fair coin for two arms 1:1."""
    return Outlook(places, *_walk(places, lambda _difference: 0.5), most=None)


@cache
def block_walk(places: int, sizes: tuple[int, ...], ratios: tuple[int, ...]) -> Outlook:
    """Return the outlook of permuted blocks; the guesser knows the size of the present block.

    The state is what is left of each arm in the block, and the block's size.
    """
    unit = sum(ratios)
    chance: dict[tuple[int, tuple[int, ...]], float] = {}
    whole = {s: tuple(r * (s // unit) for r in ratios) for s in sizes}
    ended = 1.0
    right = certain = balanced = 0.0
    for _ in range(places):
        for size in sizes:
            key = (size, whole[size])
            chance[key] = chance.get(key, 0.0) + ended / len(sizes)
        ended = 0.0
        after: dict[tuple[int, tuple[int, ...]], float] = defaultdict(float)
        for (size, left), weight in chance.items():
            total = sum(left)
            right += weight * max(left) / total
            certain += weight * (max(left) == total)
            for place, count in enumerate(left):
                if count:
                    rest = (*left[:place], count - 1, *left[place + 1 :])
                    after[size, rest] += weight * count / total
        ended = sum(w for (_, left), w in after.items() if not any(left))
        chance = {key: w for key, w in after.items() if any(key[1])}
        balanced += ended + sum(
            w for (size, left), w in chance.items() if not _apart(whole[size], left, ratios)
        )
    square = sum(w * _apart(whole[size], left, ratios) ** 2 for (size, left), w in chance.items())
    most = float(max(sizes) // unit)  # one arm's share of the longest block comes first
    return Outlook(places, right / places, certain / places, balanced / places, sqrt(square), most)


def _apart(whole: Sequence[int], left: Sequence[int], ratios: Sequence[int]) -> float:
    rounds = [(w - rest) / ratio for w, rest, ratio in zip(whole, left, ratios, strict=True)]
    return max(rounds) - min(rounds)
