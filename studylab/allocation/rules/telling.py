"""Do kit numbers, dates or the order of printing tell which kits belong together?

The test of Kruskal and Wallis (1952) on ranks. Its chance is found by drawing the arms anew many times from a fixed
stream: exact enough with ties, for any number of arms, and the same at every look. Of many kits it is read from the
distribution that the statistic approaches (chi-squared): nearer to the truth than a thousand draws, and at once.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from studylab.allocation.rules.drbg import Drbg

DRAWS = 999
MANY = 300  # kits; a thousand draws of more would keep the page waiting
_SEED = b"studylab telling: a fixed seed for looking at kits only, never for a list"
SUSPICIOUS = 0.01


@dataclass(frozen=True, slots=True)
class Telling:
    """One thing that could be seen: how many kits, and how rarely chance alone sorts them as well by arm."""

    what: str
    kits: int
    chance: float | None  # None: fewer than two arms or kits, or all alike

    @property
    def tells(self) -> bool:
        """Whether somebody who sorts kits by this would sort them by arm."""
        return self.chance is not None and self.chance < SUSPICIOUS


def ranks(values: Sequence[object]) -> list[float]:
    """Return the rank of every value from 1, ties sharing the mean of their places."""
    order = sorted(values)  # type: ignore[type-var]
    first: dict[object, int] = {}
    for place, value in enumerate(order, start=1):
        first.setdefault(value, place)
    count = Counter(order)
    return [first[value] + (count[value] - 1) / 2 for value in values]


def spread(place: Sequence[float], arms: Sequence[str]) -> float:
    """Return the sum over arms of (sum of ranks)^2 / kits; it grows as arms part. H of the test is linear in it."""
    sums: dict[str, float] = {}
    for rank, arm in zip(place, arms, strict=True):
        sums[arm] = sums.get(arm, 0.0) + rank
    sizes = Counter(arms)
    return sum(total * total / sizes[arm] for arm, total in sums.items())


def telling(what: str, values: Sequence[object], arms: Sequence[str]) -> Telling:
    """Return how well `values` sort kits by arm; both lists name the same kits in the same order."""
    if len(set(arms)) < 2 or len(set(values)) < 2:
        return Telling(what, len(arms), None)
    if len(arms) > MANY:
        return Telling(what, len(arms), approached(values, arms))
    place, drawn = ranks(values), list(arms)
    seen, drbg = spread(place, drawn), Drbg(_SEED, what.encode())
    as_far = 0
    for _ in range(DRAWS):
        drbg.shuffle(drawn)
        as_far += spread(place, drawn) >= seen - 1e-9
    return Telling(what, len(arms), (1 + as_far) / (1 + DRAWS))


def approached(values: Sequence[object], arms: Sequence[str]) -> float:
    """Return the chance that the statistic, corrected for ties, comes out as high among many kits."""
    from scipy.special import chdtrc  # takes a while to load; few pages need it

    kits = len(arms)
    h = 12 * spread(ranks(values), arms) / (kits * (kits + 1)) - 3 * (kits + 1)
    tied = sum(alike**3 - alike for alike in Counter(values).values())
    return float(chdtrc(len(set(arms)) - 1, max(0.0, h / (1 - tied / (kits**3 - kits)))))
