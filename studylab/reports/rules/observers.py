"""How single observers write readings down: last digits, values at a limit, delays, batches, equal sets.

Observers prefer round figures, and values gather beside the figure that triggers action; both are known from the
literature (J Hum Hypertens 2004, PMID 15037875; Am J Hypertens 2006, PMID 16733227) and say nothing of intent. Every
check gives counts and an exact probability, and says nothing below a number of readings.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import floor, log10
from statistics import median_low

FEWEST_DIGITS = 20  # readings before last digits are judged; ours
FEWEST_AT_LIMIT = 8  # readings within the band around a limit; ours
BAND = 2  # whole units on each side of a limit
RARE = 0.01  # below this chance a check asks for a look; common practice for a flag among several
LATE = timedelta(minutes=30)  # from measuring to entry; ours
TOGETHER = timedelta(minutes=10)  # entries of one batch lie so close; ours
APART = timedelta(minutes=30)  # yet were measured at least so far from each other
AT_ONCE = timedelta(minutes=1)  # walking time between two rooms; ours


@dataclass(frozen=True, slots=True)
class SetSeen:
    """One set as entered: who is measured, when, when it was entered, and the readings (systolic, diastolic, pulse)."""

    person: str
    taken_at: datetime
    recorded_at: datetime
    readings: tuple[tuple[int, int, int], ...]
    before_dose: bool


@dataclass(frozen=True, slots=True)
class Digits:
    """Last digits of a kind of value. `often` is the commonest one, with the exact chance that any digit is so common
    (binomial, times the digits it could have been, at most 1). `even_only`: the device shows even figures only."""

    counts: tuple[int, ...]
    number: int
    often: int
    chance: float
    even_only: bool

    @property
    def rare(self) -> bool:
        """Whether a look is asked for."""
        return self.chance < RARE

    @property
    def words(self) -> str:
        """The exact chance in words."""
        return chance_words(self.chance)


@dataclass(frozen=True, slots=True)
class AtLimit:
    """Readings just on the passing side of a limit and just on the other, and the exact chance of so many passing."""

    what: str
    limit: float
    passing: int
    failing: int
    chance: float

    @property
    def rare(self) -> bool:
        """Whether a look is asked for."""
        return self.chance < RARE

    @property
    def words(self) -> str:
        """The exact chance in words."""
        return chance_words(self.chance)


def chance_words(chance: float) -> str:
    """Return a chance as it is said: "1 in 170", "1 in 10^15", or per cent when it is nothing rare."""
    if chance >= RARE:
        return f"{100 * chance:.0f} %"
    if chance >= 1e-6:
        return f"1 in {round(1 / chance):,}"
    return f"less than 1 in 10^{floor(-log10(chance)) if chance > 0 else 300}"


def digits(values: Sequence[int]) -> Digits | None:
    """Return the last digits of these values; None when there are too few to say anything."""
    if len(values) < FEWEST_DIGITS:
        return None
    from scipy.stats import binom  # takes half a second to load; only this page needs it

    found = Counter(value % 10 for value in values)
    even_only = all(digit % 2 == 0 for digit in found)
    kinds = 5 if even_only else 10
    often, times = max(found.items(), key=lambda one: (one[1], -one[0]))
    chance = min(1.0, kinds * float(binom.sf(times - 1, len(values), 1 / kinds)))
    return Digits(tuple(found[n] for n in range(10)), len(values), often, chance, even_only)


def at_limit(
    what: str, values: Iterable[int], limit: float, *, passes_above: bool
) -> AtLimit | None:
    """Return how values lie around a limit; None when there are too few beside it.

    A value on the limit is above it. With no preference both sides of so narrow a band are about as likely.
    """
    near = [value for value in values if limit - BAND <= value < limit + BAND]
    if len(near) < FEWEST_AT_LIMIT:
        return None
    from scipy.stats import binom

    above = sum(value >= limit for value in near)
    passing = above if passes_above else len(near) - above
    chance = float(binom.sf(passing - 1, len(near), 0.5))
    return AtLimit(what, limit, passing, len(near) - passing, chance)


def delays(sets: Sequence[SetSeen]) -> tuple[int, timedelta]:
    """Return how many sets were entered late, and the middle delay from measuring to entry."""
    waited = [one.recorded_at - one.taken_at for one in sets]
    return sum(one > LATE for one in waited), median_low(waited) if waited else timedelta(0)


def batches(sets: Sequence[SetSeen]) -> list[tuple[SetSeen, ...]]:
    """Return groups of sets of at least two people entered close together though measured far apart."""
    ordered = sorted(sets, key=lambda one: one.recorded_at)
    groups: list[list[SetSeen]] = []
    for one in ordered:
        if groups and one.recorded_at - groups[-1][-1].recorded_at <= TOGETHER:
            groups[-1].append(one)
        else:
            groups.append([one])
    return [tuple(group) for group in groups if _far_apart(group)]


def _far_apart(group: Sequence[SetSeen]) -> bool:
    taken = sorted(one.taken_at for one in group)
    return len({one.person for one in group}) > 1 and taken[-1] - taken[0] >= APART


def same_sets(sets: Sequence[SetSeen]) -> list[tuple[SetSeen, ...]]:
    """Return groups of sets with exactly the same figures, of different people or visits; single readings never."""
    found: dict[tuple[tuple[int, int, int], ...], list[SetSeen]] = defaultdict(list)
    for one in sets:
        if len(one.readings) > 1:
            found[one.readings].append(one)
    return [tuple(group) for group in found.values() if len(group) > 1]


def at_once(acts: Iterable[tuple[datetime, str]]) -> list[tuple[datetime, str, str]]:
    """Return when somebody acted for two people within a minute. `acts` are (when, for whom)."""
    ordered = sorted(acts)
    return [
        (later, before, after)
        for (earlier, before), (later, after) in pairwise(ordered)
        if before != after and later - earlier < AT_ONCE
    ]
