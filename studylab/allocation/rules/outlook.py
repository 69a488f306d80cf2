"""What a design would do, for the pharmacist to weigh before anything is sealed.

Exact where the chances can be followed (`walks`), else from lists drawn with a fixed seed of their own, so that
the page says the same each time. A pulse after the dose can give past arms away: the guesser knows them all.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import sqrt

from studylab.allocation.rules.design import ListDesign, made_list
from studylab.allocation.rules.drbg import Drbg
from studylab.allocation.rules.minimising import Levels, Minimiser
from studylab.allocation.rules.places import ListRow
from studylab.allocation.rules.walks import Outlook, big_stick_walk, block_walk, simple_walk
from studylab.studies.rules.protocol import AllocationPlan

LISTS_DRAWN = 50
MOST_PLACES = 120  # a longer list looks no different
_SEED = b"studylab outlook: a fixed seed for previews only, never for a list"


def outlook(plan: AllocationPlan, design: ListDesign) -> Outlook:
    """Return the outlook of one list; `design_problems` finds nothing."""
    places = min(plan.length, MOST_PLACES)
    ratios = tuple(arm.ratio for arm in plan.arms)
    if design.method == "permuted_blocks":
        return block_walk(places, design.block_sizes, ratios)
    if ratios == (1, 1) and design.method == "big_stick":
        return big_stick_walk(places, design.tolerance)
    if ratios == (1, 1) and design.method == "simple":
        return simple_walk(places)
    return _drawn(plan, design, places)


def right_with_level(plan: AllocationPlan, design: ListDesign) -> float | None:
    """Return the share of right guesses once a person's open levels are known; None without open factors.

    It is for whoever looks at somebody already on the list, not for whoever decides about the next one. The
    guesser names the arm that has these levels least often in its ratio, and of several the one behind.
    """
    if not plan.open_factors:
        return None
    places = min(plan.length, MOST_PLACES)
    right = 0.0
    for rows in _lists(plan, design, places):
        seen: Counter[tuple[str, tuple[tuple[str, str], ...]]] = Counter()
        arms: Counter[str] = Counter()
        for row in rows:
            behind = {
                arm.key: (seen[arm.key, row.open_levels] / arm.ratio, arms[arm.key] / arm.ratio)
                for arm in plan.arms
            }
            named = [arm for arm, value in behind.items() if value == min(behind.values())]
            right += (row.arm in named) / len(named)
            seen[row.arm, row.open_levels] += 1
            arms[row.arm] += 1
    chance = max(arm.ratio for arm in plan.arms) / sum(arm.ratio for arm in plan.arms)
    return max(right / (LISTS_DRAWN * places), chance)


def _drawn(plan: AllocationPlan, design: ListDesign, places: int) -> Outlook:
    right = balanced = square = most = 0.0
    for rows in _lists(plan, design, places):
        given: Counter[str] = Counter()
        apart = 0.0
        for row in rows:
            behind = _least(plan, given)
            right += (row.arm in behind) / len(behind)
            given[row.arm] += 1
            rounds = [given[arm.key] / arm.ratio for arm in plan.arms]
            apart = max(rounds) - min(rounds)
            balanced += apart == 0
            most = max(most, apart)
        square += apart * apart
    if design.method == "minimisation":
        right = _right_by_factors(plan, design, places)
    if design.method == "simple":  # nothing can be learnt, so the commonest arm is the best guess
        right = (
            LISTS_DRAWN * places * max(a.ratio for a in plan.arms) / sum(a.ratio for a in plan.arms)
        )
    total = LISTS_DRAWN * places
    seen = most if design.method != "simple" else None
    return Outlook(
        places=places,
        right=right / total,
        certain=None if design.method == "big_stick" else 0.0,
        balanced=balanced / total,
        typical=sqrt(square / LISTS_DRAWN),
        most=seen,
        drawn=LISTS_DRAWN,
    )


def _least(plan: AllocationPlan, given: Counter[str]) -> list[str]:
    least = min(given[arm.key] / arm.ratio for arm in plan.arms)
    return [arm.key for arm in plan.arms if given[arm.key] / arm.ratio == least]


def _right_by_factors(plan: AllocationPlan, design: ListDesign, places: int) -> float:
    """The guesser of minimisation knows everybody's levels too, and works out which arm is favoured."""
    right = 0.0
    for seed in _seeds():
        minimiser = _minimiser(plan, design, seed)
        for levels in _people(plan, places, seed):
            favoured = Counter(minimiser.favoured(levels))
            named = [arm for arm, n in favoured.items() if n == max(favoured.values())]
            right += (minimiser.take(levels).arm in named) / len(named)
    return right


def _lists(plan: AllocationPlan, design: ListDesign, places: int) -> Iterator[Sequence[ListRow]]:
    for seed in _seeds():
        if design.in_advance:
            one = replace(plan, length=places, strata={})
            yield made_list(plan=one, design=design, seed=seed)
        else:
            minimiser = _minimiser(plan, design, seed)
            yield [minimiser.take(levels) for levels in _people(plan, places, seed)]


def _seeds() -> Iterator[bytes]:
    drbg = Drbg(_SEED)
    for _ in range(LISTS_DRAWN):
        yield drbg.bytes(48)


def _minimiser(plan: AllocationPlan, design: ListDesign, seed: bytes) -> Minimiser:
    return Minimiser(plan, percent=design.percent, measure=design.measure, seed=seed)


def _people(plan: AllocationPlan, places: int, seed: bytes) -> list[Levels]:
    """Return invented people, every level as likely as any other."""
    drbg = Drbg(seed, b"people")
    return [
        {name: levels[drbg.below(len(levels))] for name, levels in plan.strata.items()}
        for _ in range(places)
    ]
