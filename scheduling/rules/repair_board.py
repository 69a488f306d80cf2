"""The open and taken time of every place while visits are given other places or times, one series after the other."""

from collections.abc import Iterable, Mapping, Sequence

from scheduling.rules.gaps import uses
from scheduling.rules.search import VisitOption
from scheduling.rules.timeline import Grid, PlaceId, PlaceIntervals, PlaceTimeline, free_bits


class RepairBoard:
    """Places on a grid. `busy` holds the visits to be repaired too, until they are put elsewhere."""

    def __init__(
        self,
        grid: Grid,
        places: Mapping[str, Sequence[PlaceIntervals]],
        turnaround: Mapping[str, int],
    ) -> None:
        self.grid, self.turnaround = grid, turnaround
        self.kinds = {kind: [row.place_id for row in rows] for kind, rows in places.items()}
        rows = [row for those in places.values() for row in those]
        opened = {intervals: free_bits(grid, intervals) for intervals in {row.open for row in rows}}
        self.open: dict[PlaceId, int] = {row.place_id: opened[row.open] for row in rows}
        self.busy: dict[PlaceId, int] = {}
        for row in rows:
            bits = 0
            for interval in row.busy:
                bits |= grid.touched(interval)
            self.busy[row.place_id] = bits

    def hit(self, visit: VisitOption) -> tuple[PlaceId, ...]:
        """Return the places of a booked visit that are not open throughout, turnaround included."""
        return tuple(
            place for place, mask in self._masks(visit) if self.open.get(place, 0) & mask != mask
        )

    def lines(
        self, mine: Iterable[VisitOption], never: Iterable[PlaceId], first: Iterable[PlaceId]
    ) -> dict[str, tuple[PlaceTimeline, ...]]:
        """Return the free slots of every place, what `mine` occupy counted as free, `first` places in front."""
        own: dict[PlaceId, int] = {}
        for visit in mine:
            for place, mask in self._masks(visit):
                own[place] = own.get(place, 0) | mask
        before, barred = set(first), set(never)
        return {
            kind: tuple(
                PlaceTimeline(place, self.open[place] & ~(self.busy[place] & ~own.get(place, 0)))
                for place in sorted(ids, key=lambda place: place not in before)
                if place not in barred
            )
            for kind, ids in self.kinds.items()
        }

    def put(self, old: Iterable[VisitOption], new: Iterable[VisitOption]) -> None:
        """Give back what visits occupied and take what they occupy from now on."""
        for visit in old:
            for place, mask in self._masks(visit):
                if place in self.busy:
                    self.busy[place] &= ~mask
        for visit in new:
            for place, mask in self._masks(visit):
                self.busy[place] |= mask

    def _masks(self, visit: VisitOption) -> list[tuple[PlaceId, int]]:
        return [
            (use.ref.place_id, self.grid.touched((use.start, use.blocked_until)))
            for use in uses(visit, self.turnaround)
        ]
