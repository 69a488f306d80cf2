"""What if there were one room more: how many series a stretch of days holds, as it is and after a change."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from scheduling.rules.plan_board import Board, first_fit, refill, seat
from scheduling.rules.plan_count import solve_block
from scheduling.rules.plan_flow import Block, BlockAnswer, blocks
from scheduling.rules.plan_problem import PlanProblem, Starts


@dataclass(frozen=True, slots=True)
class Capacity:
    """So many series fit for certain, and at most `bound`, if volunteers can always come."""

    fit: int
    bound: int


def capacity(
    problem: PlanProblem,
    *,
    seconds: float,
    workers: int,
    known: dict[Block, BlockAnswer],
    stop: Callable[[], bool],
) -> Capacity:
    """Return how many series fit; the people of `problem` stand for as many volunteers as there are.

    `known` remembers parts that were settled before, in other questions too.
    """
    board = Board(problem)
    starts = problem.linked(
        [bits & board.starts(visit) for visit, bits in enumerate(problem.people[0].starts)]
    )
    found = blocks(problem, starts, len(problem.people))
    bound, series = 0, list[Starts]()
    different = len({block for _, block in found}) or 1
    for first, block in found:
        if block not in known:
            known[block] = solve_block(problem, block, seconds=seconds / different, workers=workers)
        bound += known[block].bound
        series += [tuple(at + first for at in row) for row in known[block].series]
    everybody = range(len(problem.people))
    seated = refill(problem, seat(problem, dict(enumerate(series))), everybody)
    fit = max(len(seated), len(first_fit(problem, everybody)))
    return Capacity(fit, max(min(bound, len(problem.people)), fit))


def crowd(problem: PlanProblem, size: int) -> PlanProblem:
    """Return the problem with its first person `size` times: volunteers who can always come."""
    return replace(problem, people=(problem.people[0],) * size)


def gain(base: Capacity, changed: Capacity, weeks: float) -> Sequence[float]:
    """Return people per week as it is, after the change, and the difference."""
    before, after = base.fit / weeks, changed.fit / weeks
    return before, after, after - before
