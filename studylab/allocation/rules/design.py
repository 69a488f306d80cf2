"""How a list is made: the method and its numbers, chosen by the pharmacist and sealed with the list.

They are kept out of the study's document, because everybody of the study can read it, and a known block size
gives the last places of a block away.
"""

from dataclasses import asdict, dataclass, fields
from typing import Any

from studylab.allocation.rules import blocks, drawn, minimising
from studylab.allocation.rules.drbg import DRBG_VERSION
from studylab.allocation.rules.minimising import MEASURES, Levels
from studylab.allocation.rules.places import (
    ONE_STRATUM,
    ListRow,
    PlanUnusable,
    plan_problems,
    stratum_name,
    stratum_names,
    unit_size,
)
from studylab.studies.rules.protocol import ALLOCATION_METHODS, AllocationPlan

METHOD_WORDS = {
    "permuted_blocks": "Permuted blocks, each block's size drawn at random",
    "big_stick": "Big stick: fair draws until one arm is too far ahead",
    "minimisation": "Minimisation with a random element",
    "simple": "Simple: every draw independent",
}
MEASURE_WORDS = {
    "totals": "totals of people at the newcomer's levels",
    "range": "range over the arms, summed over the factors",
    "squares": "squared differences, summed over the factors",
}
LONGEST_BLOCK, LARGEST_TOLERANCE = 60, 20
_VERSIONS = {
    "permuted_blocks": blocks.VERSION,
    "big_stick": drawn.BIG_STICK_VERSION,
    "minimisation": minimising.VERSION,
    "simple": drawn.SIMPLE_VERSION,
}


@dataclass(frozen=True, slots=True)
class ListDesign:
    """A method and what it needs: `tolerance` in people, `percent` for the favoured arm."""

    method: str
    block_sizes: tuple[int, ...] = ()
    tolerance: int = 0
    percent: int = 0
    measure: str = ""

    @property
    def name(self) -> str:
        """The method and the generator with their versions; public."""
        return f"{_VERSIONS[self.method]} {DRBG_VERSION}"

    @property
    def in_advance(self) -> bool:
        """Whether every arm is settled when the list is sealed; with minimisation only when it is issued."""
        return self.method != "minimisation"

    @property
    def words(self) -> str:
        """The design in words, for the pharmacist only."""
        words = METHOD_WORDS[self.method]
        if self.method == "permuted_blocks":
            return f"{words}: {', '.join(str(size) for size in self.block_sizes)}"
        if self.method == "big_stick":
            return f"{words} ({self.tolerance})"
        if self.method == "minimisation":
            return f"{words}: {self.percent} in 100, by {MEASURE_WORDS[self.measure]}"
        return words


def proposed(method: str, plan: AllocationPlan) -> ListDesign:
    """Return what the page begins with; the pharmacist decides."""
    unit = unit_size(plan)
    return {
        "permuted_blocks": ListDesign(method, block_sizes=plan.block_sizes or (unit, 2 * unit)),
        "big_stick": ListDesign(method, tolerance=3),
        "minimisation": ListDesign(method, percent=80, measure="range"),
        "simple": ListDesign(method),
    }[method]


def methods_for(plan: AllocationPlan) -> tuple[str, ...]:
    """Return the methods the pharmacist may choose from: the document's own, or those that fit."""
    if plan.method:
        return (plan.method,)
    return tuple(m for m in ALLOCATION_METHODS if m != "minimisation" or plan.strata)


def design_of(data: dict[str, Any]) -> ListDesign:
    """Return the design that `as_data` wrote; TypeError or KeyError when it is none."""
    known = {field.name for field in fields(ListDesign)}
    if not set(data) <= known:
        raise KeyError(next(iter(set(data) - known)))
    design = ListDesign(**{**data, "block_sizes": tuple(data["block_sizes"])})
    if design.method not in METHOD_WORDS:
        raise KeyError(design.method)
    return design


def as_data(design: ListDesign) -> dict[str, Any]:
    """Return the design as plain JSON values."""
    return {**asdict(design), "block_sizes": list(design.block_sizes)}


def design_problems(plan: AllocationPlan, design: ListDesign) -> dict[str, list[str]]:
    """Return what is wrong with the choice, by the field it is about; empty when a list can be made."""
    if design.method not in METHOD_WORDS:
        return {"method": ["Choose one of the methods."]}
    if plan.method and design.method != plan.method:
        return {"method": [f"The protocol says {METHOD_WORDS[plan.method].lower()}."]}
    check = {
        "permuted_blocks": _block_problems,
        "big_stick": _stick_problems,
        "minimisation": _minimising_problems,
    }.get(design.method)
    return {field: said for field, said in check(plan, design).items() if said} if check else {}


def _block_problems(plan: AllocationPlan, design: ListDesign) -> dict[str, list[str]]:
    if not design.block_sizes:
        return {"block_sizes": ["Give at least one block size."]}
    unit = unit_size(plan)
    said = [
        f"{size} is not a multiple of {unit}, the sum of the ratios times the number of open level "
        f"combinations. Use {unit} or {2 * unit}, for example."
        for size in design.block_sizes
        if size < 1 or size % unit
    ]
    most = max(LONGEST_BLOCK, 4 * unit)
    said += [f"{s} is longer than {most}." for s in design.block_sizes if s > most]
    if len(set(design.block_sizes)) < len(design.block_sizes):
        said.append("A size stands twice. Name each once; they are drawn equally often.")
    return {"block_sizes": said}


def _stick_problems(_plan: AllocationPlan, design: ListDesign) -> dict[str, list[str]]:
    if 1 <= design.tolerance <= LARGEST_TOLERANCE:
        return {}
    return {"tolerance": [f"Give a whole number from 1 to {LARGEST_TOLERANCE}."]}


def _minimising_problems(plan: AllocationPlan, design: ListDesign) -> dict[str, list[str]]:
    shares = sum(arm.ratio for arm in plan.arms)
    lowest = 100 // shares + 1
    said: dict[str, list[str]] = {"method": [], "percent": [], "measure": []}
    if not plan.strata:
        said["method"].append(
            "Minimisation needs factors: the protocol's allocation.strata names none."
        )
    if not lowest <= design.percent <= 95:
        said["percent"].append(
            f"Give a whole number from {lowest} to 95. At 100 everybody who knows the earlier arms knows the "
            "next one."
        )
    if design.measure not in MEASURES:
        said["measure"].append("Choose how imbalance is measured.")
    return said


def made_list(*, plan: AllocationPlan, design: ListDesign, seed: bytes) -> tuple[ListRow, ...]:
    """Return the list that is sealed; empty with minimisation, whose arms follow when they are issued.

    PlanUnusable when plan or design cannot make one.
    """
    problems = plan_problems(plan)
    if not problems:
        found = design_problems(plan, design)
        problems = [f"{field}: {text}" for field, said in found.items() for text in said]
    if problems:
        raise PlanUnusable(problems)
    if design.method == "permuted_blocks":
        return blocks.permuted_blocks(plan=plan, sizes=design.block_sizes, seed=seed)
    if design.method == "big_stick":
        return drawn.big_stick(plan=plan, tolerance=design.tolerance, seed=seed)
    if design.method == "simple":
        return drawn.simple(plan=plan, seed=seed)
    return ()


def followed_list(
    *, plan: AllocationPlan, design: ListDesign, seed: bytes, people: tuple[Levels, ...]
) -> tuple[ListRow, ...]:
    """Return the rows of the people that minimisation has met so far, in the order of their numbers."""
    return minimising.minimised(
        plan=plan, percent=design.percent, measure=design.measure, seed=seed, people=people
    )


def places_of(plan: AllocationPlan, design: ListDesign) -> tuple[tuple[str, int], ...]:
    """Return (stratum, position) of every number to be made; minimisation has one list for everybody."""
    strata = stratum_names(plan) if design.in_advance else (ONE_STRATUM,)
    return tuple((name, place) for name in strata for place in range(1, plan.length + 1))


def list_of_person(plan: AllocationPlan, method: str, answers: dict[str, str]) -> str:
    """Return the stratum in which a person gets the next number; ValueError as `stratum_name`.

    `method` is the public name of the design that was sealed.
    """
    stratum = stratum_name(plan, answers)
    return ONE_STRATUM if method.startswith("minimisation/") else stratum
