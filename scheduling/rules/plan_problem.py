"""A batch of volunteers to be placed at once: the planner's question and answer as plain values.

Times are slots of one grid. Everything turns into plain JSON and back, because the solver runs in a
process of its own that gets nothing else.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from scheduling.rules.occupation import Occupation
from scheduling.rules.problem import Link
from scheduling.rules.timeline import Grid, PlaceId, PlaceTimeline, dilate

UNWANTED = (
    120  # minutes of distance from the ideal that a visit outside somebody's wishes counts for
)
MOVED = 600  # and that moving somebody who is booked already counts for

Starts = tuple[int, ...]  # the first slot of each visit
Seats = dict[tuple[int, int], PlaceId]  # (visit index, occupation index) -> place


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPerson:
    """One volunteer. Per visit: the starts that their own conditions allow, and those they would like.

    `stays` are the present starts of somebody who is booked already and may be moved, but not dropped;
    `never` are places that must not serve them, such as people they are related to.
    """

    key: str
    starts: tuple[int, ...]
    wanted: tuple[int, ...]
    stays: Starts | None = None
    never: tuple[PlaceId, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanProblem:
    """Who is to be placed where. `days` are the local days of the grid: first slot, slot after the last."""

    grid: Grid
    lengths: tuple[int, ...]
    needed: tuple[tuple[Occupation, ...], ...]
    links: tuple[Link, ...]
    days: tuple[tuple[int, int], ...]
    places: Mapping[str, tuple[PlaceTimeline, ...]]
    people: tuple[PlanPerson, ...]
    step: int = 3  # every difference between two starts is a multiple of so many slots

    def slots_of(self, row: Occupation) -> tuple[int, int]:
        """Return an occupation with its turnaround, in slots from the start of its visit."""
        size = self.grid.minutes_per_slot
        return row.start // size, -(-row.held_until // size)

    def linked(self, starts: Sequence[int]) -> list[int]:
        """Drop starts that no start of a linked visit can follow or precede, until nothing changes."""
        found, before = list(starts), None
        while found != before:
            before = list(found)
            for link in self.links:
                found[link.second] &= dilate(found[link.first], link.low, link.high)
                found[link.first] &= dilate(found[link.second], -link.high, -link.low)
        return found

    def spaced(self, starts: Sequence[int]) -> bool:
        """Whether starts keep every rule between visits."""
        return all(
            link.low <= starts[link.second] - starts[link.first] <= link.high for link in self.links
        )

    def cost(self, person: PlanPerson, starts: Sequence[int]) -> int:
        """Return minutes away from the ideal: off target, outside wishes, moved."""
        size = self.grid.minutes_per_slot
        away = sum(
            link.deviation(starts[link.second] - starts[link.first], size) for link in self.links
        )
        unwanted = sum(
            not wanted >> at & 1 for wanted, at in zip(person.wanted, starts, strict=True)
        )
        moved = person.stays is not None and tuple(starts) != person.stays
        return away + UNWANTED * unwanted + (MOVED if moved else 0)


@dataclass(frozen=True, slots=True)
class Placed:
    """One volunteer's series in a plan: `person` is the index in the problem."""

    person: int
    starts: Starts
    seats: Seats


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole plan. `cost` adds up the minutes away from the ideal; `busiest` is the fullest day's visits."""

    placed: tuple[Placed, ...]
    cost: int
    busiest: int

    @property
    def rank(self) -> tuple[int, int, int]:
        """People placed first, then their preferences, then spread: the greater the better."""
        return len(self.placed), -self.cost, -self.busiest


def plan_from(problem: PlanProblem, placed: Sequence[Placed]) -> Plan:
    """Return a plan with its figures."""
    cost = sum(problem.cost(problem.people[row.person], row.starts) for row in placed)
    loads = [
        sum(first <= at < stop for row in placed for at in row.starts)
        for first, stop in problem.days
    ]
    ordered = sorted(placed, key=lambda row: row.person)
    return Plan(tuple(ordered), cost, max(loads, default=0))


def problem_as_json(problem: PlanProblem) -> dict[str, Any]:
    """Return a problem as plain JSON; bitsets as hexadecimal text."""
    return {
        "start": problem.grid.start.timestamp(),
        "slots": problem.grid.slots,
        "minutes": problem.grid.minutes_per_slot,
        "lengths": problem.lengths,
        "needed": [[asdict(row) for row in rows] for rows in problem.needed],
        "links": [asdict(link) for link in problem.links],
        "days": problem.days,
        "step": problem.step,
        "places": {
            kind: [[row.place_id, hex(row.free)] for row in rows]
            for kind, rows in problem.places.items()
        },
        "people": [
            {
                "key": row.key,
                "starts": [hex(bits) for bits in row.starts],
                "wanted": [hex(bits) for bits in row.wanted],
                "stays": row.stays,
                "never": row.never,
            }
            for row in problem.people
        ],
    }


def problem_from_json(data: Mapping[str, Any]) -> PlanProblem:
    """Return the problem that `problem_as_json` wrote."""
    start = datetime.fromtimestamp(data["start"], UTC)
    return PlanProblem(
        grid=Grid(start=start, slots=data["slots"], minutes_per_slot=data["minutes"]),
        lengths=tuple(data["lengths"]),
        needed=tuple(tuple(Occupation(**row) for row in rows) for rows in data["needed"]),
        links=tuple(Link(**row) for row in data["links"]),
        days=tuple((first, stop) for first, stop in data["days"]),
        step=data["step"],
        places={
            kind: tuple(PlaceTimeline(place, int(free, 16)) for place, free in rows)
            for kind, rows in data["places"].items()
        },
        people=tuple(
            PlanPerson(
                key=row["key"],
                starts=tuple(int(bits, 16) for bits in row["starts"]),
                wanted=tuple(int(bits, 16) for bits in row["wanted"]),
                stays=tuple(row["stays"]) if row["stays"] else None,
                never=tuple(row["never"]),
            )
            for row in data["people"]
        ),
    )


def plan_as_json(plan: Plan) -> dict[str, Any]:
    """Return a plan as plain JSON."""
    return {
        "placed": [
            {
                "person": row.person,
                "starts": row.starts,
                "seats": [[*key, place] for key, place in sorted(row.seats.items())],
            }
            for row in plan.placed
        ],
        "cost": plan.cost,
        "busiest": plan.busiest,
    }


def plan_from_json(data: Mapping[str, Any]) -> Plan:
    """Return the plan that `plan_as_json` wrote."""
    placed = tuple(
        Placed(
            row["person"],
            tuple(row["starts"]),
            {(visit, number): place for visit, number, place in row["seats"]},
        )
        for row in data["placed"]
    )
    return Plan(placed, data["cost"], data["busiest"])
