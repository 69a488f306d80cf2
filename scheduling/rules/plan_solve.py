"""The planner's way to a plan: first fit, a proved bound with times that reach it, then the whole model.

Every better plan is handed out at once, so that whoever waits can stop at any moment and keep the best.
Runs in a process of its own (`plan_worker`); the time comes from a stopwatch that is given.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from scheduling.rules.plan_apart import PlacesModel, tells_more
from scheduling.rules.plan_board import Board, refill, seat
from scheduling.rules.plan_count import solve_block
from scheduling.rules.plan_flow import Block, BlockAnswer, blocks
from scheduling.rules.plan_people import Group, PeopleModel
from scheduling.rules.plan_polish import best_series, match, polish
from scheduling.rules.plan_problem import (
    Placed,
    Plan,
    PlanProblem,
    Seats,
    Starts,
    plan_from,
)

ORDERS = 12  # shuffled orders that first fit tries
BLOCK_SHARE = 0.35  # of the time for the bound of all blocks
SPREADING = 5.0  # seconds for even days once everybody has the best times
PEOPLE_SHARE = 0.6  # of what is left then for placing more people


@dataclass(frozen=True, slots=True)
class News:
    """What the planner knows at one moment; `plan` only when it is better than the one before."""

    stage: str
    seconds: float
    bound: int
    first_fit: int
    plan: Plan | None = None


def solve(
    problem: PlanProblem,
    *,
    seconds: float,
    workers: int,
    stopwatch: Callable[[], float],
    tell: Callable[[News], None],
) -> Plan:
    """Return the best plan found in `seconds`; `tell` hears of every step on the way."""
    return _Solver(problem, seconds, workers, stopwatch, tell).run()


class _Solver:
    def __init__(
        self,
        problem: PlanProblem,
        seconds: float,
        workers: int,
        stopwatch: Callable[[], float],
        tell: Callable[[News], None],
    ) -> None:
        self.problem = _narrowed(problem)
        self.seconds, self.workers = seconds, workers
        self.stopwatch, self.tell = stopwatch, tell
        self.able = [
            index
            for index, person in enumerate(self.problem.people)
            if all(person.starts) or person.stays is not None
        ]
        self.bound = len(self.able)
        self.first = 0
        self.best = Plan((), 0, 0)
        self.groups: list[Group] = []

    @property
    def left(self) -> float:
        """Seconds that are left."""
        return self.seconds - self.stopwatch()

    def run(self) -> Plan:
        self._say("Placing one after the other")
        self._greedy()
        if self._short:
            self._bound_by_blocks()
        if self._short:
            self._say("Looking for room for more people")
            self._solve_people(PeopleModel)
        if self._short and tells_more(self.problem):
            self._say("Telling places apart")
            self._solve_people(PlacesModel)
        self._say("Coming nearer to wishes and targets")
        self._better(polish(self.problem, self.best.placed, lambda: self.left < 0))
        self._solve_wishes()
        self._say("Done")
        return self.best

    @property
    def _short(self) -> bool:
        return len(self.best.placed) < self.bound and self.left > 0

    def _say(self, stage: str, plan: Plan | None = None) -> None:
        self.stage = stage
        self.tell(News(stage, self.stopwatch(), self.bound, self.first, plan))

    def _better(self, placed: Sequence[Placed]) -> bool:
        """Take a plan when it is better and leaves nobody out who is booked already."""
        inside = {row.person for row in placed}
        if any(p.stays and n not in inside for n, p in enumerate(self.problem.people)):
            return False
        plan = plan_from(self.problem, placed)
        if plan.rank <= self.best.rank and self.best.placed:
            return False
        self.best = plan
        if len(plan.placed) > self.bound:  # a bound below what exists is no bound
            self.bound = len(self.able)
        self._say(self.stage, plan)
        return True

    def _greedy(self) -> None:
        stay = seat(
            self.problem,
            {n: person.stays for n, person in enumerate(self.problem.people) if person.stays},
        )
        first = refill(self.problem, stay, self.able)
        self.first = len(first)
        self._better(first)
        dice = random.Random(7)  # noqa: S311 - the same orders in every run, nothing secret
        scarce = sorted(
            self.able,
            key=lambda n: sum(bits.bit_count() for bits in self.problem.people[n].starts),
        )
        orders: list[list[int]] = [scarce]
        orders += [dice.sample(self.able, len(self.able)) for _ in range(ORDERS)]
        for order in orders:
            if not self._short or self.stopwatch() > self.seconds * 0.1:
                break
            self._better(refill(self.problem, stay, order))

    def _bound_by_blocks(self) -> None:
        """Prove how many fit at most, and place people at the times that the proof came with."""
        anyone = [0] * len(self.problem.needed)
        for index in self.able:
            for visit, bits in enumerate(self.problem.people[index].starts):
                anyone[visit] |= bits
        found = blocks(self.problem, self.problem.linked(anyone), len(self.able))
        answers: dict[Block, BlockAnswer] = {}
        different = len({block for _, block in found})
        series: list[Starts] = []
        bound = 0
        for first, block in found:
            if block not in answers:
                self._say(f"Proving what fits: part {len(answers) + 1} of {different}")
                share = (self.seconds * BLOCK_SHARE) / different
                answers[block] = solve_block(
                    self.problem, block, seconds=min(share, self.left), workers=self.workers
                )
            answer = answers[block]
            bound += answer.bound
            series += [tuple(at + first for at in starts) for starts in answer.series]
            last = first + max(block.starts[0]) + 1
            self.groups.append(Group(first, last, answer.bound))
        self.bound = max(min(self.bound, bound), len(self.best.placed))
        self._say("Matching people to times")
        self._take(match(self.problem, series), {})

    def _take(self, chosen: dict[int, Starts], seats: dict[int, Seats]) -> bool:
        """Seat chosen times, and place whoever is left where there still is room."""
        return self._better(refill(self.problem, seat(self.problem, chosen, seats), self.able))

    def _solve_people(self, kind: type[PeopleModel]) -> None:
        model = kind(self.problem, self.groups)
        model.hint({row.person: row.starts for row in self.best.placed})
        model.aim_at_people()

        def found(chosen: dict[int, Starts], seats: dict[int, Seats], bound: float) -> bool:
            self.bound = max(min(self.bound, int(bound + 1e-6)), len(self.best.placed))
            self._take(chosen, seats)
            return not self._short

        share = max(1.0, self.left * PEOPLE_SHARE)
        bound = model.solve(seconds=share, workers=self.workers, found=found)
        if bound < float("inf"):
            self.bound = max(min(self.bound, int(bound + 1e-6)), len(self.best.placed))

    def _solve_wishes(self) -> None:
        """Search on for better times; only briefly, for even days, when everybody has their best already."""
        if self.left < 1 or not self.best.placed:
            return
        seconds = min(self.left, SPREADING) if self.best.cost <= self._least() else self.left
        model = PeopleModel(self.problem, self.groups)
        model.hint({row.person: row.starts for row in self.best.placed})
        model.aim_at_wishes(len(self.best.placed))
        model.solve(
            seconds=seconds,
            workers=self.workers,
            found=lambda chosen, _seats, _bound: (
                self._better(seat(self.problem, chosen)) and self.left < 0
            ),
        )

    def _least(self) -> int:
        """Return what the people placed would cost if each had the lab alone: no plan of them costs less."""
        board, total = Board(self.problem), 0
        for row in self.best.placed:
            person = self.problem.people[row.person]
            found = best_series(board, person, self.problem.cost(person, row.starts) + 1)
            total += self.problem.cost(person, found[0] if found else row.starts)
        return total


def _narrowed(problem: PlanProblem) -> PlanProblem:
    """Leave only starts that the places and the spacing allow somebody alone."""
    board = Board(problem)
    people = tuple(
        replace(
            person,
            starts=tuple(
                problem.linked([own & board.starts(n) for n, own in enumerate(person.starts)])
            ),
        )
        for person in problem.people
    )
    return replace(problem, people=people)
