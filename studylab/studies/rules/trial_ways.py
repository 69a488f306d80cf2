"""In how many ways trials can be ordered when no type may stand too often in a row.

f(what is left, last type, how often it stood) is the sum of f over every type that may come next. The same
numbers draw an order so that each is equally likely (`scheduling.rules.trial_order`). Checked against published
counts and brute force in `tests/scheduling/rules/test_trial_order.py`.
"""

from collections.abc import Sequence
from functools import lru_cache
from math import comb, prod

from studylab.studies.rules.session import TrialOrder

MOST_STATES = 60_000  # of what can be left; more would keep a page waiting
START = -1  # the type before the first trial


@lru_cache(maxsize=400_000)
def ways(left: tuple[int, ...], last: int, run: int, longest_run: int) -> int:
    """Return how many orders the rest has: `left` trials of each type, after `run` of type `last`."""
    if not any(left):
        return 1
    return sum(
        ways(take(left, kind), kind, run + 1 if kind == last else 1, longest_run)
        for kind in range(len(left))
        if may_follow(left, kind, last, run, longest_run)
    )


def may_follow(left: Sequence[int], kind: int, last: int, run: int, longest_run: int) -> bool:
    """Whether a trial of type `kind` may come next."""
    return left[kind] > 0 and (kind != last or run < longest_run)


def take(left: tuple[int, ...], kind: int) -> tuple[int, ...]:
    """Return what is left after one trial of a type."""
    return (*left[:kind], left[kind] - 1, *left[kind + 1 :])


def firsts(order: TrialOrder) -> tuple[int, ...]:
    """Return the places of the types that may come first."""
    return tuple(
        place
        for place, one in enumerate(order.types)
        if one.count and (not order.first or one.key in order.first)
    )


def count_types(order: TrialOrder) -> int:
    """Return how many orders of types keep the longest run and the first trial; 0 when none does."""
    left = tuple(one.count for one in order.types)
    return sum(ways(take(left, place), place, 1, order.longest_run) for place in firsts(order))


def count_orders(order: TrialOrder) -> int:
    """Return how many whole orders there are: types, which trials are followed, where the probes stand."""
    followed = prod(
        comb(one.count - 1, one.followed - 1)
        if order.first_followed and one.followed
        else comb(one.count, one.followed)
        for one in order.types
    )
    return count_types(order) * followed * comb(max(order.length - 1, 0), order.probes_alone)


def states(order: TrialOrder) -> int:
    """Return how many amounts can be left, a measure of the work."""
    return prod(one.count + 1 for one in order.types)
