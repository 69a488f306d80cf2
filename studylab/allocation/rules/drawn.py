"""Lists drawn one by one: simple randomisation, and the big stick (Soares and Wu 1983).

An arm with the ratio r counts as r shares of one. Simple: every share is as likely as any other. Big stick:
a share that is `tolerance` people ahead of the one furthest behind is left out of the draw. With two arms
1:1 that is the published rule, a fair coin until the difference is `tolerance`, then the other arm for
certain; with other ratios every arm keeps its ratio at every place, since shares are alike (own extension).
"""

from studylab.allocation.rules.drbg import DRBG_VERSION, Drbg
from studylab.allocation.rules.levels import OpenLevels
from studylab.allocation.rules.places import ListRow, stratum_names
from studylab.studies.rules.protocol import AllocationPlan

SIMPLE_VERSION = "simple/1"
BIG_STICK_VERSION = "big-stick/1"


def shares_of(plan: AllocationPlan) -> list[str]:
    """Return each arm's key as often as its ratio says, in the order of the plan."""
    return [arm.key for arm in plan.arms for _ in range(arm.ratio)]


def simple(*, plan: AllocationPlan, seed: bytes) -> tuple[ListRow, ...]:
    """Return the list of independent draws, `plan.length` rows in each stratum."""
    return _drawn(plan, seed, SIMPLE_VERSION, tolerance=None)


def big_stick(*, plan: AllocationPlan, tolerance: int, seed: bytes) -> tuple[ListRow, ...]:
    """Return the list drawn within `tolerance` (1 or more), `plan.length` rows in each stratum."""
    return _drawn(plan, seed, BIG_STICK_VERSION, tolerance=tolerance)


def _drawn(
    plan: AllocationPlan, seed: bytes, version: str, tolerance: int | None
) -> tuple[ListRow, ...]:
    shares, rows = shares_of(plan), []
    for stratum in stratum_names(plan):
        drbg = Drbg(seed, f"{version}|{DRBG_VERSION}|{stratum}".encode())
        levels = OpenLevels(plan, seed, version, stratum)
        given = [0] * len(shares)
        for position in range(1, plan.length + 1):
            least = min(given)
            free = [
                place
                for place, count in enumerate(given)
                if tolerance is None or count - least < tolerance
            ]
            chosen = free[drbg.below(len(free))]
            given[chosen] += 1
            arm = shares[chosen]
            rows.append(ListRow(stratum, position, arm, levels.next_of(arm), 0))
    return tuple(rows)
