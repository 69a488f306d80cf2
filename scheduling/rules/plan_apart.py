"""The planner's model with every place told apart, for what counting places cannot see.

Where places are not equally free, uses that never outnumber the free places may still find no place that is free for
the whole of one of them. This model is exact there, and as many times larger as there are places.
"""

from collections.abc import Sequence
from typing import Any

from scheduling.rules.plan_flow import short_kinds
from scheduling.rules.plan_people import Chosen, Group, PeopleModel
from scheduling.rules.plan_problem import PlanProblem, Seats
from scheduling.rules.timeline import PlaceId

LARGEST = 20_000  # uses of a place that may be chosen; above that the model takes longer to build than anybody waits


def tells_more(problem: PlanProblem) -> bool:
    """Whether telling places apart can find what counting them does not, and is not too large."""
    kinds = short_kinds(problem)
    unequal = any(len({row.free for row in problem.places[kind]}) > 1 for kind in kinds)
    barred = any(person.never for person in problem.people)
    uses = sum(len(problem.places[row.kind]) for rows in problem.needed for row in rows if row.kind in kinds)  # fmt: skip
    size = uses * len(problem.people) * len(problem.days)
    return (unequal or barred) and size <= LARGEST


class PlacesModel(PeopleModel):
    """As `PeopleModel`, with a literal for each use, day and place."""

    def __init__(self, problem: PlanProblem, groups: Sequence[Group]) -> None:
        self._at: dict[tuple[int, int, int], list[tuple[PlaceId, Any]]] = {}
        super().__init__(problem, groups)

    def _add_capacity(self, kind: str, day: int) -> None:
        """Each use that day has one place, and no place has two uses at once."""
        model, problem = self.model, self.problem
        on_place: dict[PlaceId, list[Any]] = {row.place_id: [] for row in problem.places[kind]}
        for index, (starts, all_days) in enumerate(zip(self.starts, self.on_day, strict=True)):
            for visit, rows in enumerate(problem.needed):
                literal = all_days[visit].get(day)
                for number, row in enumerate(rows):
                    if row.kind != kind or literal is None:
                        continue
                    first, stop = problem.slots_of(row)
                    able = []
                    for place in on_place.keys() - set(problem.people[index].never):
                        here = model.new_bool_var("")
                        on_place[place].append(
                            model.new_optional_fixed_size_interval_var(
                                starts[visit] + first, stop - first, here, ""
                            )
                        )
                        able.append((place, here))
                    model.add(sum(here for _, here in able) == literal)
                    self._at.setdefault((index, visit, number), []).extend(able)
        for line in problem.places[kind]:
            taken = [
                model.new_fixed_size_interval_var(begin, end - begin, "")
                for begin, end, _ in self._less_than_all([line.free], day)
            ]
            model.add_no_overlap([*on_place[line.place_id], *taken])

    def _seats(self, chosen: Chosen, is_true: Any) -> dict[int, Seats]:
        seats: dict[int, Seats] = {index: {} for index in chosen}
        for (index, visit, number), able in self._at.items():
            for place, here in able:
                if index in seats and is_true(here):
                    seats[index][visit, number] = place
        return seats
