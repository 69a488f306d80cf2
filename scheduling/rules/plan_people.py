"""The planner's model: an optional interval per volunteer, visit, day and use of a kind, and a literal per day.

Imports the solver when used: only the planner's own process calls it. Places of a kind are counted, not
told apart; `plan_board.seat` tells them apart afterwards, and `plan_check` judges the result.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from scheduling.rules.plan_flow import short_kinds
from scheduling.rules.plan_problem import MOVED, UNWANTED, PlanProblem, Seats, Starts
from scheduling.rules.timeline import ascending

Days = dict[int, Any]  # day -> literal
Chosen = dict[int, Starts]  # index of the person -> starts
# Gets every better plan: starts, places where the model tells them apart, the bound so far. Says whether to stop.
Found = Callable[[Chosen, dict[int, Seats], float], bool]


@dataclass(frozen=True, slots=True)
class Group:
    """Slots [first, stop) in which at most `bound` series begin: what the flow model proved."""

    first: int
    stop: int
    bound: int


class PeopleModel:
    """Built once; solved for people placed, then for their preferences and spread."""

    def __init__(self, problem: PlanProblem, groups: Sequence[Group]) -> None:
        from ortools.sat.python import cp_model

        self.cp = cp_model
        self.problem = problem
        self.model = cp_model.CpModel()
        self.placed: list[Any] = []
        self.starts: list[list[Any]] = []
        self.on_day: list[list[Days]] = []
        for person in problem.people:
            self._add_person(person.starts, must=person.stays is not None)
        for kind in short_kinds(problem):
            for day in range(len(problem.days)):
                self._add_capacity(kind, day)
        for group in groups:
            inside = [
                literal
                for days in self.on_day
                for day, literal in days[0].items()
                if group.first <= problem.days[day][0] < group.stop
            ]
            self.model.add(sum(inside) <= group.bound)

    def _add_person(self, allowed: Sequence[int], *, must: bool) -> None:
        model, problem = self.model, self.problem
        here = model.new_bool_var("")
        if must:
            model.add(here == 1)
        starts, all_days = [], []
        for bits in allowed:
            whole = self._domain(bits)
            start = model.new_int_var_from_domain(whole, "")
            days: Days = {}
            for day, (first, stop) in enumerate(problem.days):
                part = bits & (((1 << (stop - first)) - 1) << first)
                if part:
                    days[day] = model.new_bool_var("")
                    model.add_linear_expression_in_domain(
                        start, self._domain(part)
                    ).only_enforce_if(days[day])
            model.add(sum(days.values()) == here)
            starts.append(start)
            all_days.append(days)
        for link in problem.links:
            gap = starts[link.second] - starts[link.first]
            model.add_linear_constraint(gap, link.low, link.high).only_enforce_if(here)
        self.placed.append(here)
        self.starts.append(starts)
        self.on_day.append(all_days)

    def _domain(self, bits: int) -> Any:
        return self.cp.Domain.from_values(list(ascending(bits)) or [0])

    def _add_capacity(self, kind: str, day: int) -> None:
        """No more uses at once than free places, and no more minutes of use than places have that day."""
        problem, model = self.problem, self.model
        frees = [row.free for row in problem.places[kind]]
        intervals, area = [], []
        for starts, all_days in zip(self.starts, self.on_day, strict=True):
            for visit, rows in enumerate(problem.needed):
                literal = all_days[visit].get(day)
                for row in rows:
                    if row.kind != kind or literal is None:
                        continue
                    first, stop = problem.slots_of(row)
                    intervals.append(
                        model.new_optional_fixed_size_interval_var(
                            starts[visit] + first, stop - first, literal, ""
                        )
                    )
                    area.append((stop - first, literal))
        if not intervals:
            return
        fixed = self._less_than_all(frees, day)
        demands = [1] * len(intervals) + [missing for _, _, missing in fixed]
        for begin, end, _ in fixed:
            intervals.append(model.new_fixed_size_interval_var(begin, end - begin, ""))
        if len(frees) == 1:
            model.add_no_overlap(intervals)
        else:
            model.add_cumulative(intervals, demands, len(frees))
        first, stop = problem.days[day]
        window = ((1 << (stop - first)) - 1) << first
        minutes = sum((free & window).bit_count() for free in frees)
        model.add(sum(size * literal for size, literal in area) <= minutes)

    def _less_than_all(self, frees: Sequence[int], day: int) -> list[tuple[int, int, int]]:
        """Return (slot, slot after, places missing) where some places are not free."""
        first, stop = self.problem.days[day]
        found: list[tuple[int, int, int]] = []
        for slot in range(first, stop):
            missing = sum(1 - (free >> slot & 1) for free in frees)
            if found and found[-1][1] == slot and found[-1][2] == missing:
                found[-1] = (found[-1][0], slot + 1, missing)
            elif missing:
                found.append((slot, slot + 1, missing))
        return [row for row in found if row[2]]

    def hint(self, chosen: Mapping[int, Starts]) -> None:
        """Begin from a plan that is known already."""
        self.model.clear_hints()
        for index, here in enumerate(self.placed):
            series = chosen.get(index)
            self.model.add_hint(here, series is not None)
            for visit, days in enumerate(self.on_day[index]):
                at = series[visit] if series is not None else None
                if at is not None:
                    self.model.add_hint(self.starts[index][visit], at)
                for day, literal in days.items():
                    first, stop = self.problem.days[day]
                    self.model.add_hint(literal, at is not None and first <= at < stop)

    def aim_at_people(self) -> None:
        """Place as many as can be."""
        self.model.maximize(sum(self.placed))

    def aim_at_wishes(self, at_least: int) -> None:
        """Keep so many placed; be near the targets and the wishes, then spread over the days."""
        model, problem = self.model, self.problem
        model.add(sum(self.placed) >= at_least)
        busiest = model.new_int_var(0, len(self.placed) * len(problem.needed), "")
        for day in range(len(problem.days)):
            load = [days[day] for rows in self.on_day for days in rows if day in days]
            if load:
                model.add(sum(load) <= busiest)
        costs = [term for index in range(len(self.placed)) for term in self._costs(index)]
        weight = len(self.placed) * len(problem.needed) + 1
        model.minimize(weight * sum(costs) + busiest)

    def _costs(self, index: int) -> list[Any]:
        model, person = self.model, self.problem.people[index]
        here, starts = self.placed[index], self.starts[index]
        size = self.problem.grid.minutes_per_slot
        terms: list[Any] = []
        for link in self.problem.links:
            if link.target is None:
                continue
            away = model.new_int_var(0, size * max(link.high - link.low, 0) + abs(link.target), "")
            gap = size * (starts[link.second] - starts[link.first]) - link.target
            model.add(away >= gap).only_enforce_if(here)
            model.add(away >= -gap).only_enforce_if(here)
            terms.append(away)
        for visit, (own, wanted) in enumerate(zip(person.starts, person.wanted, strict=True)):
            if own & ~wanted:
                outside = model.new_bool_var("")
                model.add_linear_expression_in_domain(
                    starts[visit], self._domain(own & wanted)
                ).only_enforce_if(here, ~outside)
                if not own & wanted:
                    model.add_implication(here, outside)
                terms.append(UNWANTED * outside)
        if person.stays is not None:
            moved = model.new_bool_var("")
            for visit, at in enumerate(person.stays):
                model.add(starts[visit] == at).only_enforce_if(~moved)
            terms.append(MOVED * moved)
        return terms

    def _seats(self, chosen: Chosen, is_true: Any) -> dict[int, Seats]:
        """Return the places of who is placed, as far as the model tells them apart."""
        return {}

    def solve(self, *, seconds: float, workers: int, found: Found) -> float:
        """Search; `found` hears of every better plan.

        Returns the last bound of the objective, or infinity when there is no answer.
        """
        solver = self.cp.CpSolver()
        solver.parameters.max_time_in_seconds = seconds
        solver.parameters.num_workers = workers
        outer = self

        class Watch(self.cp.CpSolverSolutionCallback):  # type: ignore[name-defined]
            def on_solution_callback(self) -> None:
                chosen = {
                    index: tuple(self.value(at) for at in outer.starts[index])
                    for index, here in enumerate(outer.placed)
                    if self.boolean_value(here)
                }
                seats = outer._seats(chosen, self.boolean_value)
                if found(chosen, seats, self.best_objective_bound):
                    self.stop_search()

        status = solver.solve(self.model, Watch())
        known = status in (self.cp.OPTIMAL, self.cp.FEASIBLE)
        return float(solver.best_objective_bound) if known else float("inf")
