"""The free time of every place while a plan grows: give somebody the first series that fits, or seat a whole plan."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from scheduling.rules.occupation import Occupation, Request, assign
from scheduling.rules.plan_problem import Placed, PlanPerson, PlanProblem, Seats, Starts
from scheduling.rules.timeline import PlaceId, ascending, at_least, dilate, runs

TRIES = 200  # series that are tried for one person before giving up on seats


Group = tuple[str, int, int, int]  # kind, first slot, slot after the last, how many at once


class Board:
    """Free slots per place; `take` fills them, `release` gives them back."""

    def __init__(self, problem: PlanProblem) -> None:
        self.problem = problem
        self.free: dict[str, dict[PlaceId, int]] = {
            kind: {row.place_id: row.free for row in rows} for kind, rows in problem.places.items()
        }
        self._groups = [self._grouped(rows) for rows in problem.needed]
        self._fits: dict[str, dict[int, dict[PlaceId, int]]] = {}  # kind -> length -> place
        self._enough: dict[str, dict[Group, int]] = {}

    def with_place(self, kind: str, place: PlaceId, free: int) -> "Board":
        """Return a copy that has one more place of a kind, free at the given slots."""
        wider = Board(self.problem)
        wider.free = {k: dict(rows) for k, rows in self.free.items()}
        wider.free.setdefault(kind, {})[place] = free
        return wider

    def _fit(self, kind: str, length: int) -> dict[PlaceId, int]:
        """Return the slots from which each place of a kind is free for so many."""
        known = self._fits.setdefault(kind, {})
        if length not in known:
            rows = self.free.get(kind, {})
            known[length] = {place: runs(free, length) for place, free in rows.items()}
        return known[length]

    def starts(self, visit: int) -> int:
        """Return the starts at which every group of like occupations of a visit finds enough places."""
        bits = self.problem.grid.full
        for group in self._groups[visit]:
            bits &= self._starts_of(group)
        return bits

    def _starts_of(self, group: Group) -> int:
        kind, first, stop, count = group
        known = self._enough.setdefault(kind, {})
        if group not in known:
            sets = self._fit(kind, stop - first).values()
            known[group] = at_least(sets, count, self.problem.grid.full) >> first
        return known[group]

    def _grouped(self, rows: Iterable[Occupation]) -> list[Group]:
        like = Counter((row.kind, *self.problem.slots_of(row)) for row in rows)
        return [(*key, count) for key, count in like.items()]

    def first(self, person: PlanPerson) -> tuple[Starts, Seats] | None:
        """Return the earliest series that fits somebody, or None."""
        possible = self.problem.linked(
            [own & self.starts(visit) for visit, own in enumerate(person.starts)]
        )
        if not all(possible):
            return None
        for tried, starts in enumerate(self._walk(possible, ())):
            seats = assign(self.requests(starts, person.never))
            if seats is not None:
                return starts, seats
            if tried >= TRIES:
                break
        return None

    def _walk(self, possible: Sequence[int], chosen: Starts) -> Iterable[Starts]:
        """Yield series in order of their starts."""
        if len(chosen) == len(possible):
            yield chosen
            return
        bits = possible[len(chosen)]
        for link in self.problem.links:
            if link.second == len(chosen):
                bits &= dilate(1 << chosen[link.first], link.low, link.high)
        for at in ascending(bits):
            yield from self._walk(possible, (*chosen, at))

    def requests(self, starts: Starts, never: Sequence[PlaceId] = ()) -> list[Request]:
        """Return what a series would occupy, each with the places that are free for it."""
        size = self.problem.grid.minutes_per_slot
        return [
            Request(
                (visit, number), row.kind, at * size + row.start, at * size + row.held_until,
                self._able(row, at, never),
            )
            for visit, at in enumerate(starts)
            for number, row in enumerate(self.problem.needed[visit])
        ]  # fmt: skip

    def _able(self, row: Occupation, at: int, never: Sequence[PlaceId]) -> tuple[PlaceId, ...]:
        """Return the places that are free for one occupation of a visit that starts at `at`."""
        first, stop = self.problem.slots_of(row)
        slot, fits = 1 << first + at, self._fit(row.kind, stop - first)
        return tuple(place for place, bits in fits.items() if bits & slot and place not in never)

    def take(self, starts: Starts, seats: Mapping[tuple[int, int], PlaceId]) -> None:
        """Fill the seats of a series."""
        for (kind, place), mask in self._masks(starts, seats).items():
            self._change(kind, place, self.free[kind][place] & ~mask)

    def release(self, starts: Starts, seats: Mapping[tuple[int, int], PlaceId]) -> None:
        """Give the seats of a series back."""
        for (kind, place), mask in self._masks(starts, seats).items():
            self._change(kind, place, self.free[kind][place] | mask)

    def _masks(
        self, starts: Starts, seats: Mapping[tuple[int, int], PlaceId]
    ) -> dict[tuple[str, PlaceId], int]:
        """Return the slots that a series occupies of each of its places."""
        found: dict[tuple[str, PlaceId], int] = {}
        for (visit, number), place in seats.items():
            row = self.problem.needed[visit][number]
            seat = row.kind, place
            found[seat] = found.get(seat, 0) | self.mask(starts[visit], row)
        return found

    def mask(self, start: int, row: Occupation) -> int:
        """Return the slots of an occupation of a visit that starts at `start`."""
        first, stop = self.problem.slots_of(row)
        return ((1 << (stop - first)) - 1) << (start + first)

    def _change(self, kind: str, place: PlaceId, free: int) -> None:
        self.free[kind][place] = free
        for length, fits in self._fits.get(kind, {}).items():
            fits[place] = runs(free, length)
        self._enough.pop(kind, None)


def first_fit(problem: PlanProblem, order: Iterable[int]) -> list[Placed]:
    """Place people in the given order, each with the earliest series that is left."""
    board, placed = Board(problem), []
    for index in order:
        found = board.first(problem.people[index])
        if found is not None:
            board.take(*found)
            placed.append(Placed(index, *found))
    return placed


def seat(
    problem: PlanProblem, chosen: Mapping[int, Starts], wished: Mapping[int, Seats] | None = None
) -> list[Placed]:
    """Give places to people whose starts are chosen; who finds none is left out, then tried elsewhere.

    `wished` places are given where they are free. Other places of a kind are given out in the order of time, which needs no more of them than there are uses at
    once as long as they are equally free.
    """
    wished = wished or {}
    kept = _seated(problem, chosen, wished, keep=True)
    if len(kept) < len(chosen):
        kept = max(kept, _seated(problem, chosen, wished, keep=False), key=len)
    return kept


def refill(problem: PlanProblem, placed: Sequence[Placed], order: Iterable[int]) -> list[Placed]:
    """Add people who are not in a plan yet wherever they still fit."""
    board, found = Board(problem), list(placed)
    for row in placed:
        board.take(row.starts, row.seats)
    inside = {row.person for row in placed}
    for index in order:
        if index in inside:
            continue
        series = board.first(problem.people[index])
        if series is not None:
            board.take(*series)
            found.append(Placed(index, *series))
    return found


def _seated(
    problem: PlanProblem, chosen: Mapping[int, Starts], wished: Mapping[int, Seats], *, keep: bool
) -> list[Placed]:
    board = Board(problem)
    seats: dict[int, Seats] = {index: {} for index in chosen}
    wanted = sorted(
        (starts[visit] + problem.slots_of(row)[0], index, visit, number)
        for index, starts in chosen.items()
        for visit, rows in enumerate(problem.needed)
        for number, row in enumerate(rows)
    )
    for _, index, visit, number in wanted:
        if index not in seats:
            continue
        row = problem.needed[visit][number]
        mask = board.mask(chosen[index][visit], row)
        never = problem.people[index].never
        place = wished.get(index, {}).get((visit, number))
        if place is None or board.free[row.kind][place] & mask != mask:
            place = _choose(problem, board, row, mask, seats[index], never, keep=keep)
        if place is None:
            board.release(chosen[index], seats.pop(index))
            continue
        seats[index][visit, number] = place
        board.take(chosen[index], {(visit, number): place})
    return [Placed(index, chosen[index], mine) for index, mine in seats.items()]


def _choose(
    problem: PlanProblem,
    board: Board,
    row: Occupation,
    mask: int,
    mine: Seats,
    never: Sequence[PlaceId],
    *,
    keep: bool,
) -> PlaceId | None:
    """Return the place somebody has already, else the one whose free time ends soonest after this use."""
    able = [
        place
        for place, free in board.free.get(row.kind, {}).items()
        if free & mask == mask and place not in never
    ]
    if not able:
        return None
    had = {
        place for (visit, number), place in mine.items()
        if problem.needed[visit][number].kind == row.kind
    }  # fmt: skip
    stop = mask.bit_length()

    def left(place: PlaceId) -> int:
        rest = ~board.free[row.kind][place] >> stop
        return (rest & -rest).bit_length()

    return min(able, key=lambda place: (keep and place not in had, left(place)))
