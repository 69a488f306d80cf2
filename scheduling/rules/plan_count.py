"""Solving the flow model of a block: the most series that fit, and a bound on them that is proved.

Every variable is a running total of starts, so that all conditions are differences of few of them. The
bound is that of the linear relaxation, or the solver's own where it got further. A long block is filled
a few days at a time, because its whole would take the solver too long.

Imports the solvers when used: only the planner's own process calls it.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from scheduling.rules.plan_flow import Block, BlockAnswer
from scheduling.rules.plan_problem import PlanProblem, Starts

LONG = 1200  # running totals beyond which a block is filled piece by piece
PIECE = 4  # days of first visits in a piece
LP_SHARE = 0.4  # of the time for the relaxation
# Columns, their factors, lowest and highest sum; None where other conditions see to it.
Row = tuple[tuple[int, ...], tuple[int, ...], int | None, int | None]


@dataclass(frozen=True, slots=True)
class Totals:
    """The model in numbers: `slots` per visit, the first column of each, and the conditions."""

    slots: tuple[tuple[int, ...], ...]
    first: tuple[int, ...]
    rows: tuple[Row, ...]
    most: int

    @property
    def columns(self) -> int:
        """How many running totals there are."""
        return sum(len(slots) for slots in self.slots)

    @property
    def last(self) -> int:
        """The column that counts all series."""
        return self.first[0] + len(self.slots[0]) - 1


def solve_block(
    problem: PlanProblem, block: Block, *, seconds: float, workers: int = 2
) -> BlockAnswer:
    """Return the most series that fit into a block, as far as the time allows."""
    model = totals_of(problem, block)
    if model.columns <= LONG:
        bound, series = _search(problem, model, seconds, workers)
    else:
        bound = relaxed_bound(model, seconds * LP_SHARE)
        series = _piecewise(problem, block, seconds * (1 - LP_SHARE), workers)
    return BlockAnswer(max(bound, len(series)), series)


def totals_of(problem: PlanProblem, block: Block) -> Totals:
    """Return the model of a block."""
    rows = _Rows(block)
    rows.counts()
    rows.limits()
    for one, two in pairwise(range(len(block.starts))):
        rules = [link for link in problem.links if (link.first, link.second) == (one, two)]
        low, high = max(row.low for row in rules), min(row.high for row in rules)
        rows.spacing(one, two, low, high)
    return Totals(block.starts, rows.first, tuple(rows.found), block.most)


class _Rows:
    """Collects the conditions of a block."""

    def __init__(self, block: Block) -> None:
        self.block, self.slots = block, block.starts
        self.first = tuple(
            sum(len(rows) for rows in self.slots[:n]) for n in range(len(self.slots))
        )
        self.found: list[Row] = []

    def column(self, visit: int, slot: int) -> int | None:
        """Return the running total of a visit at a slot; None stands for nobody yet."""
        passed = bisect_right(self.slots[visit], slot)
        return self.first[visit] + passed - 1 if passed else None

    def add(
        self, parts: Sequence[tuple[int | None, int]], low: int | None, high: int | None
    ) -> None:
        """Keep a sum of running totals between two bounds."""
        known: dict[int, int] = {}
        for name, factor in parts:
            if name is not None:
                known[name] = known.get(name, 0) + factor
        known = {name: factor for name, factor in known.items() if factor}
        if known:
            self.found.append((tuple(known), tuple(known.values()), low, high))

    def counts(self) -> None:
        """Totals never fall, and every visit ends at the same one."""
        for first, slots in zip(self.first, self.slots, strict=True):
            for n in range(1, len(slots)):
                self.add([(first + n, 1), (first + n - 1, -1)], 0, None)
            self.add([(first + len(slots) - 1, 1), (len(self.slots[0]) - 1, -1)], 0, 0)

    def limits(self) -> None:
        """No more uses of a kind at once than free places."""
        for uses, limits in zip(self.block.uses, self.block.limits, strict=True):
            for slot, free in limits:
                parts = [
                    part
                    for visit, begin, stop in uses
                    for part in (
                        (self.column(visit, slot - begin), 1),
                        (self.column(visit, slot - stop), -1),
                    )
                ]
                self.add(parts, None, max(free, 0))

    def spacing(self, one: int, two: int, low: int, high: int) -> None:
        """Everybody is back in time, and nobody too early."""
        for at in self.slots[one]:
            self.add([(self.column(two, at + high), 1), (self.column(one, at), -1)], 0, None)
        for at in self.slots[two]:
            self.add([(self.column(one, at - low), 1), (self.column(two, at), -1)], 0, None)


def relaxed_bound(model: Totals, seconds: float) -> int:
    """Return a bound from the linear relaxation: what would fit if series could be split."""
    import numpy as np
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix

    data: list[int] = []
    where: list[int] = []
    ends = [0]
    limits: list[int] = []
    for columns, factors, low, high in model.rows:
        for sign, limit in ((1, high), (-1, low)):
            if limit is None:
                continue
            data += [sign * factor for factor in factors]
            where += columns
            ends.append(len(data))
            limits.append(sign * limit)
    aim = np.zeros(model.columns)
    aim[model.last] = -1
    answer = linprog(
        aim,
        A_ub=csr_matrix((data, where, ends), shape=(len(limits), model.columns)),
        b_ub=limits,
        bounds=(0, model.most),
        method="highs-ipm",  # several times faster here than the simplex method
        options={"time_limit": max(0.5, seconds)},
    )
    return min(model.most, int(-answer.fun + 1e-6)) if answer.status == 0 else model.most


def _search(
    problem: PlanProblem, model: Totals, seconds: float, workers: int
) -> tuple[int, tuple[Starts, ...]]:
    """Return a proved bound and the series of the best answer found."""
    from ortools.sat.python import cp_model

    asked = cp_model.CpModel()
    totals = [asked.new_int_var(0, model.most, "") for _ in range(model.columns)]
    for columns, factors, low, high in model.rows:
        terms = [totals[name] * factor for name, factor in zip(columns, factors, strict=True)]
        asked.add_linear_constraint(
            sum(terms), -model.most if low is None else low, model.most if high is None else high
        )
    asked.maximize(totals[model.last])
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = max(0.5, seconds)
    solver.parameters.num_workers = workers
    status = solver.solve(asked)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return model.most, ()
    picked = []
    for first, slots in zip(model.first, model.slots, strict=True):
        values = [0, *(solver.value(totals[first + n]) for n in range(len(slots)))]
        counts = [after - before for before, after in pairwise(values)]
        picked.append([at for at, count in zip(slots, counts, strict=True) for _ in range(count)])
    series = tuple(starts for starts in zip(*picked, strict=True) if problem.spaced(starts))
    return min(model.most, int(solver.best_objective_bound + 1e-6)), series


def _piecewise(
    problem: PlanProblem, block: Block, seconds: float, workers: int
) -> tuple[Starts, ...]:
    """Fill a long block a few days of first visits at a time, each piece with the room that is left."""
    day = 24 * 60 // problem.grid.minutes_per_slot
    reach = max((link.high for link in problem.links if link.target is not None), default=0) * len(
        block.starts
    )
    end = block.starts[0][-1] + 1
    pieces = range(0, end, PIECE * day)
    found: list[Starts] = []
    for begin in pieces:
        starts = tuple(
            tuple(at for at in rows if begin <= at < begin + PIECE * day + (reach if n else 0))
            for n, rows in enumerate(block.starts)
        )
        if not all(starts) or len(found) >= block.most:
            continue
        limits = tuple(
            tuple((slot, free - _used(uses, found, slot)) for slot, free in rows)
            for uses, rows in zip(block.uses, block.limits, strict=True)
        )
        piece = replace(block, starts=starts, limits=limits, most=block.most - len(found))
        model = totals_of(problem, piece)
        found += _search(problem, model, seconds / len(pieces), workers)[1]
    return tuple(found)


def _used(uses: Sequence[tuple[int, int, int]], series: Sequence[Starts], slot: int) -> int:
    """Return how many places of a kind the series chosen so far use at a slot."""
    return sum(
        starts[visit] + begin <= slot < starts[visit] + stop
        for starts in series
        for visit, begin, stop in uses
    )
