"""How many series a stretch of days can hold, whoever comes: a bound that is proved, and times that reach it.

Volunteers without names are counted instead of told apart: one number per visit and start. Running totals
of the starts keep the spacing (the n-th to begin is the n-th to come back), and no kind is used by more
visits at once than it has free places. That is less than a plan must keep, so its best is a bound on every
plan; and it is so small that a week is settled in seconds. `plan_count` solves it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from scheduling.rules.plan_problem import PlanProblem, Starts
from scheduling.rules.timeline import ascending, dilate

Relative = tuple[
    tuple[int, ...], ...
]  # starts per visit, in slots from the first slot of the block


@dataclass(frozen=True, slots=True)
class Block:
    """Days between which no series runs to other days. `uses` and `limits` per kind that can run short.

    uses: (visit, first, stop) slots of an occupation; limits: (slot, free places), relative to `first`.
    """

    starts: Relative
    uses: tuple[tuple[tuple[int, int, int], ...], ...]
    limits: tuple[tuple[tuple[int, int], ...], ...]
    most: int


@dataclass(frozen=True, slots=True)
class BlockAnswer:
    """At most `bound` series fit; `series` are ones that do, relative to the block."""

    bound: int
    series: tuple[Starts, ...]


def blocks(problem: PlanProblem, starts: Sequence[int], most: int) -> list[tuple[int, Block]]:
    """Return every block with its first slot. `starts` are those of anybody; `most` people come at most."""
    found = []
    kinds = short_kinds(problem)
    for group in _day_groups(problem, starts):
        first, stop = problem.days[group[0]][0], problem.days[group[-1]][1]
        window = ((1 << (stop - first)) - 1) << first
        own = tuple(tuple(at - first for at in ascending(bits & window)) for bits in starts)
        uses = tuple(tuple(_uses(problem, kind)) for kind in kinds)
        limits = tuple(
            tuple(_limits(problem, kind, use, own, first))
            for kind, use in zip(kinds, uses, strict=True)
        )
        if all(own):
            found.append((first, Block(own, uses, limits, most)))
    return found


def short_kinds(problem: PlanProblem) -> list[str]:
    """Return the kinds that can run short; one that always follows a scarcer kind is left out."""
    kinds = [kind for kind in problem.places if any(True for _ in _uses(problem, kind))]
    kept = list(kinds)
    for kind in kinds:
        others = [other for other in kept if other != kind]
        if any(_follows(problem, kind, other) for other in others):
            kept.remove(kind)
    return kept


def _follows(problem: PlanProblem, kind: str, other: str) -> bool:
    """Whether each use of `kind` lies inside its own use of `other`, of which there are never more places."""
    mine, theirs = problem.places[kind], problem.places[other]
    pool = [row.free for row in mine]
    for place in theirs:  # pair each place with one of ours that is free at least as long
        partner = next((free for free in pool if place.free & ~free == 0), None)
        if partner is None:
            return False
        pool.remove(partner)
    spans = list(_uses(problem, other))
    for visit, first, stop in _uses(problem, kind):
        around = next(
            (row for row in spans if row[0] == visit and row[1] <= first and stop <= row[2]), None
        )
        if around is None:
            return False
        spans.remove(around)
    return True


def _uses(problem: PlanProblem, kind: str) -> Iterator[tuple[int, int, int]]:
    for visit, rows in enumerate(problem.needed):
        for row in rows:
            if row.kind == kind:
                yield visit, *problem.slots_of(row)


def _limits(
    problem: PlanProblem, kind: str, uses: Sequence[tuple[int, int, int]], own: Relative, first: int
) -> Iterator[tuple[int, int]]:
    """Yield the slots at which a use can begin, and where places become fewer, with the free places."""
    frees = [row.free >> first for row in problem.places[kind]]
    slots = {at + begin for visit, begin, _ in uses for at in own[visit]}
    spanned = 0
    for visit, begin, stop in uses:
        for at in own[visit]:
            spanned |= ((1 << (stop - begin)) - 1) << (at + begin)
    for free in frees:
        slots.update(ascending(~free & (free << 1) & spanned))
    for slot in sorted(slots):
        yield slot, sum(free >> slot & 1 for free in frees)


def _day_groups(problem: PlanProblem, starts: Sequence[int]) -> list[list[int]]:
    """Return the days in groups that no series and no visit runs across."""
    masks = [((1 << (stop - first)) - 1) << first for first, stop in problem.days]
    reach = []
    for day, mask in enumerate(masks):
        last = day
        for visit, bits in enumerate(starts):
            here = bits & mask
            if not here:
                continue
            touched = dilate(here, 0, problem.lengths[visit])
            for link in problem.links:
                if link.first == visit and link.target is not None:
                    touched |= dilate(here, link.low, link.high) & starts[link.second]
            last = max(last, *(n for n, other in enumerate(masks) if touched & other), last)
        reach.append(last)
    groups: list[list[int]] = []
    end = -1
    for day in range(len(masks)):
        if day > end:
            groups.append([])
        groups[-1].append(day)
        end = max(end, reach[day])
    return groups
