"""Allocation lists by permuted blocks of random size, one list per stratum.

Inside each full block every arm stands as often as its ratio says, and so does every level of every open
factor within each arm. The list follows from the plan and the seed alone, so it can be made again and
compared with what was sealed. Nothing in this module may reach anyone but the pharmacist before unblinding.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from studylab.allocation.rules.drbg import DRBG_VERSION, Drbg
from studylab.studies.rules.protocol import AllocationPlan

GENERATOR_VERSION = "permuted-blocks/1"
ONE_STRATUM = "all"


class PlanUnusable(ValueError):
    """The plan cannot make a list; `problems` are sentences naming the key and the fix."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(" ".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True, slots=True)
class ListRow:
    """One place on the list; `position` and `block` count from 1 within the stratum."""

    stratum: str
    position: int
    arm: str
    open_levels: tuple[tuple[str, str], ...]
    block: int


def unit_size(plan: AllocationPlan) -> int:
    """Return the smallest block: the sum of the ratios times the number of open level combinations."""
    size = sum(arm.ratio for arm in plan.arms)
    for factor in plan.open_factors:
        size *= len(factor.levels)
    return size


def plan_problems(plan: AllocationPlan) -> list[str]:
    """Return why no list can be made from `plan`; empty when one can."""
    problems = []
    if len(plan.arms) < 2:
        problems.append("allocation.arms: at least two arms are needed.")
    problems += [
        f"allocation.arms: the ratio of each arm is a whole number from 1, not {arm.ratio}."
        for arm in plan.arms
        if arm.ratio < 1
    ]
    problems += _repeats("allocation.arms", [arm.key for arm in plan.arms])
    problems += _repeats("allocation.open_factors", [factor.key for factor in plan.open_factors])
    for factor in plan.open_factors:
        if not factor.levels:
            problems.append(f"allocation.open_factors.{factor.key}: at least one level is needed.")
        problems += _repeats(f"allocation.open_factors.{factor.key}", list(factor.levels))
    for name, levels in plan.strata.items():
        if not levels:
            problems.append(f"allocation.strata.{name}: at least one level is needed.")
        problems += _repeats(f"allocation.strata.{name}", list(levels))
    if plan.length < 1:
        problems.append(f"allocation.length: at least 1, not {plan.length}.")
    if not problems:
        problems += _size_problems(plan)
    return problems


def _repeats(key: str, values: list[str]) -> list[str]:
    return [f"{key}: “{value}” stands twice." for value, n in Counter(values).items() if n > 1]


def _size_problems(plan: AllocationPlan) -> list[str]:
    if not plan.block_sizes:
        return ["allocation.block_sizes: at least one block size is needed."]
    unit = unit_size(plan)
    return [
        f"allocation.block_sizes: {size} is not a multiple of {unit}, "
        "the sum of the ratios times the number of open level combinations."
        for size in plan.block_sizes
        if size < 1 or size % unit
    ]


def stratum_names(plan: AllocationPlan) -> tuple[str, ...]:
    """Return every stratum in list order, for example "sex=female, age=18-29"; "all" without strata."""
    if not plan.strata:
        return (ONE_STRATUM,)
    return tuple(
        stratum_name(plan, dict(zip(plan.strata, levels, strict=True)))
        for levels in product(*plan.strata.values())
    )


def stratum_name(plan: AllocationPlan, answers: Mapping[str, str]) -> str:
    """Return the stratum of a person with these answers; ValueError names an answer nobody provided for."""
    parts = []
    for name, levels in plan.strata.items():
        answer = answers.get(name)
        if answer not in levels:
            allowed = ", ".join(levels)
            given = "no answer" if answer is None else f"“{answer}”"
            raise ValueError(f"Stratum {name}: {given} is not one of {allowed}.")
        parts.append(f"{name}={answer}")
    return ", ".join(parts) or ONE_STRATUM


def permuted_blocks(*, plan: AllocationPlan, seed: bytes) -> tuple[ListRow, ...]:
    """Return the list, stratum by stratum, `plan.length` rows each; the last block may be cut.

    `seed` is at least 32 secret random bytes. PlanUnusable when the plan is not consistent.
    """
    problems = plan_problems(plan)
    if problems:
        raise PlanUnusable(problems)
    rows: list[ListRow] = []
    for stratum in stratum_names(plan):
        # A stream per stratum: adding a stratum later leaves the lists of the others as they were.
        mark = f"{GENERATOR_VERSION}|{DRBG_VERSION}|{stratum}"
        stream = _cells(plan, Drbg(seed, mark.encode()))
        for position in range(1, plan.length + 1):
            block, (arm, *levels) = next(stream)
            factors = tuple(
                (f.key, level) for f, level in zip(plan.open_factors, levels, strict=True)
            )
            rows.append(ListRow(stratum, position, arm, factors, block))
    return tuple(rows)


def _cells(plan: AllocationPlan, drbg: Drbg) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield (block, (arm, level of each open factor)) without end."""
    arms = [arm.key for arm in plan.arms for _ in range(arm.ratio)]
    unit = list(product(arms, *(factor.levels for factor in plan.open_factors)))
    block = 0
    while True:
        block += 1
        size = plan.block_sizes[drbg.below(len(plan.block_sizes))]
        cells = unit * (size // len(unit))
        drbg.shuffle(cells)
        for cell in cells:
            yield block, cell
