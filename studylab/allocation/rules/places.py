"""Places of a list: strata, rows, and what a plan must be before any list can be made from it."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

from studylab.studies.rules.protocol import AllocationPlan

ONE_STRATUM = "all"


class PlanUnusable(ValueError):
    """The plan cannot make a list; `problems` are sentences naming the key and the fix."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(" ".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True, slots=True)
class ListRow:
    """One place on the list; `position` and `block` count from 1 within the stratum, `block` is 0 without."""

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
    return problems


def _repeats(key: str, values: list[str]) -> list[str]:
    return [f"{key}: “{value}” stands twice." for value, n in Counter(values).items() if n > 1]


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
