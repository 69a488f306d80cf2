"""Making a plan nicer without placing anybody less: give times to the people they suit, then move one at a time."""

from collections.abc import Callable, Sequence
from itertools import pairwise, product

from scheduling.rules.occupation import assign
from scheduling.rules.plan_board import Board
from scheduling.rules.plan_problem import Placed, PlanPerson, PlanProblem, Seats, Starts
from scheduling.rules.timeline import ascending, shift_back

FEW = 8  # series of one cost that are tried for seats


def match(problem: PlanProblem, series: Sequence[Starts]) -> dict[int, Starts]:
    """Give series to people: as many as can be, those who must be placed first, then by their wishes."""
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    far = 10**6
    costs = np.full((len(problem.people), len(series)), 10 * far)
    for index, person in enumerate(problem.people):
        for column, starts in enumerate(series):
            if all(bits >> at & 1 for bits, at in zip(person.starts, starts, strict=True)):
                costs[index, column] = problem.cost(person, starts) - (far if person.stays else 0)
    rows, columns = linear_sum_assignment(costs)
    return {
        int(row): series[column]
        for row, column in zip(rows, columns, strict=True)
        if costs[row, column] < far
    }


def polish(
    problem: PlanProblem, placed: Sequence[Placed], stop: Callable[[], bool], passes: int = 20
) -> list[Placed]:
    """Move each person to the best series that is free while the others stay, until nothing gets better."""
    rows = {row.person: row for row in placed}
    board = Board(problem)
    for row in rows.values():
        board.take(row.starts, row.seats)
    for _ in range(passes):
        better = False
        for index in sorted(rows, key=lambda i: -problem.cost(problem.people[i], rows[i].starts)):
            if stop():
                return list(rows.values())
            person, row = problem.people[index], rows[index]
            before = problem.cost(person, row.starts)
            if not before:
                continue
            board.release(row.starts, row.seats)
            found = best_series(board, person, before)
            if found is not None:
                rows[index] = row = Placed(index, *found)
                better = True
            board.take(row.starts, row.seats)
        if not better:
            break
    return list(rows.values())


def best_series(board: Board, person: PlanPerson, below: int) -> tuple[Starts, Seats] | None:
    """Return the free series of least cost under `below`, or None."""
    problem = board.problem
    possible = problem.linked(
        [own & board.starts(visit) for visit, own in enumerate(person.starts)]
    )
    if not all(possible):
        return None
    best: tuple[Starts, Seats] | None = None
    for away, offsets in _distances(problem):
        if away >= below:
            break
        bits = -1
        for offset, own in zip(offsets, possible, strict=True):
            bits &= shift_back(own, offset)
        for starts in _wanted_first(person, offsets, bits):
            cost = problem.cost(person, starts)
            if cost >= below:
                break
            seats = assign(board.requests(starts, person.never))
            if seats is not None:
                best, below = (starts, seats), cost
                break
    return best


def _wanted_first(person: PlanPerson, offsets: Starts, bits: int) -> list[Starts]:
    """Return a few series at these distances: as they are, then those that meet every wish."""
    liked = bits
    for offset, wanted in zip(offsets, person.wanted, strict=True):
        liked &= shift_back(wanted, offset)
    chosen: list[Starts] = []
    for part in (liked, bits & ~liked):
        for _, at in zip(range(FEW), ascending(part), strict=False):
            chosen.append(tuple(at + offset for offset in offsets))
    return chosen


def _distances(problem: PlanProblem) -> list[tuple[int, Starts]]:
    """Return every distance of the visits from the first that the rules allow, least off target first."""
    size, step = problem.grid.minutes_per_slot, problem.step
    choices = []
    for first, second in pairwise(range(len(problem.needed))):
        rules = [row for row in problem.links if (row.first, row.second) == (first, second)]
        low, high = max(row.low for row in rules), min(row.high for row in rules)
        choices.append(range(-(-low // step) * step, high + 1, step))
    found = []
    for gaps in product(*choices):
        starts = [0]
        for gap in gaps:
            starts.append(starts[-1] + gap)
        if problem.spaced(starts):
            away = sum(
                link.deviation(starts[link.second] - starts[link.first], size)
                for link in problem.links
            )
            found.append((away, tuple(starts)))
    return sorted(found)
