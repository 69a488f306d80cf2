"""Allocation lists by permuted blocks of random size, one list per stratum.

Inside each full block every arm stands as often as its ratio says, and so does every level of every open
factor within each arm. The list follows from plan, sizes and seed alone, so it can be made again and
compared with what was sealed.
"""

from collections.abc import Iterator, Sequence
from itertools import product

from studylab.allocation.rules.drbg import DRBG_VERSION, Drbg
from studylab.allocation.rules.places import ListRow, stratum_names
from studylab.studies.rules.protocol import AllocationPlan

VERSION = "permuted-blocks/1"


def permuted_blocks(
    *, plan: AllocationPlan, sizes: Sequence[int], seed: bytes
) -> tuple[ListRow, ...]:
    """Return the list, stratum by stratum, `plan.length` rows each; the last block may be cut.

    `seed` is at least 32 secret random bytes; plan and sizes are consistent (`design.design_problems`).
    """
    rows: list[ListRow] = []
    for stratum in stratum_names(plan):
        # A stream per stratum: adding a stratum later leaves the lists of the others as they were.
        mark = f"{VERSION}|{DRBG_VERSION}|{stratum}"
        stream = _cells(plan, sizes, Drbg(seed, mark.encode()))
        for position in range(1, plan.length + 1):
            block, (arm, *levels) = next(stream)
            factors = tuple(
                (f.key, level) for f, level in zip(plan.open_factors, levels, strict=True)
            )
            rows.append(ListRow(stratum, position, arm, factors, block))
    return tuple(rows)


def _cells(
    plan: AllocationPlan, sizes: Sequence[int], drbg: Drbg
) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield (block, (arm, level of each open factor)) without end."""
    arms = [arm.key for arm in plan.arms for _ in range(arm.ratio)]
    unit = list(product(arms, *(factor.levels for factor in plan.open_factors)))
    block = 0
    while True:
        block += 1
        size = sizes[drbg.below(len(sizes))]
        cells = unit * (size // len(unit))
        drbg.shuffle(cells)
        for cell in cells:
            yield block, cell
