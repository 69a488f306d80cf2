"""A series to be found, with its conditions in slots of the grid."""

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cached_property
from math import gcd
from zoneinfo import ZoneInfo

from scheduling.rules.fits import Fits
from scheduling.rules.occupation import Occupation, occupations
from scheduling.rules.series import MINUTE, Preferences
from scheduling.rules.spacing import anchor_offset, split_anchor
from scheduling.rules.timeline import Grid, clock_periods, dilate, raster_bits, runs, weekday_bits
from studylab.studies.rules.protocol import Protocol, Spacing

# What is looked at first, and how much longer each further look is.
FIRST_LOOK = timedelta(days=10)
GROWTH = 3


@dataclass(frozen=True, slots=True)
class Link:
    """A rule between the starts of two visits (indexes): `low` to `high` slots from the first to the second.

    `target` is in minutes, as is the deviation from it; None when the link only forbids.
    """

    first: int
    second: int
    low: int
    high: int
    target: int | None

    def deviation(self, slots: int, minutes_per_slot: int) -> int:
        """Return minutes away from the target when the starts lie `slots` apart."""
        return 0 if self.target is None else abs(slots * minutes_per_slot - self.target)


@dataclass(frozen=True)
class Problem:
    """Everything the search needs, computed once. `relaxed` names conditions that are waived to explain."""

    plan: Protocol
    grid: Grid
    fits: Fits
    person_free: int
    not_before: datetime | None
    not_after: datetime | None
    zone: ZoneInfo
    preferences: Preferences
    raster_minutes: int
    relaxed: frozenset[str] = field(default=frozenset())

    @cached_property
    def needed(self) -> tuple[tuple[Occupation, ...], ...]:
        """Occupations per visit."""
        return tuple(
            tuple(
                row
                for row in occupations(visit, self.plan.turnaround)
                if f"kind:{row.kind}" not in self.relaxed
            )
            for visit in self.plan.visits
        )

    @cached_property
    def frames(self) -> tuple[int, ...]:
        """The starts per visit that the raster, the search's limits and the person allow."""
        return tuple(map(self.frame, range(len(self.plan.visits))))

    def with_fits(self, fits: Fits) -> "Problem":
        """Return the problem with other places; nothing that was computed here depends on them."""
        other = copy(self)
        object.__setattr__(other, "fits", fits)
        return other

    def beginnings(self) -> Iterator["Problem"]:
        """Yield the problem on growing first parts of its grid, from where visit 1 can start; at last the whole."""
        first = self.frames[0]
        slots = (first & -first).bit_length() + FIRST_LOOK // self.grid.slot
        while first and slots < self.grid.slots:
            yield self._within(slots)
            slots *= GROWTH
        yield self

    def _within(self, slots: int) -> "Problem":
        grid = replace(self.grid, slots=slots)
        other = replace(self, grid=grid, fits=self.fits.within(grid))
        links = tuple(replace(row, high=min(row.high, slots)) for row in self.links)
        other.__dict__.update(needed=self.needed, step=self.step, links=links)
        return other

    def frame(self, index: int) -> int:
        """Return the starts of a visit that the raster, the search's limits and the person allow."""
        grid, minutes = self.grid, self.plan.visits[index].minutes
        bits = raster_bits(grid, self.zone, self.raster_minutes)
        bits &= grid.span(0, grid.slots + 1 + -minutes // grid.minutes_per_slot)
        if "limits" not in self.relaxed:
            bits &= self._within_limits(minutes)
        if "weekdays" not in self.relaxed and self.preferences.weekdays is not None:
            bits &= weekday_bits(grid, self.zone, self.preferences.weekdays)
        if "person" not in self.relaxed:
            bits &= self._person_there(-(-minutes // grid.minutes_per_slot))
        return bits

    def starts(self, index: int) -> int:
        """Return the possible starts of one visit, regarded alone."""
        return self.frames[index] & self.fits.starts(self.needed[index])

    def _person_there(self, length: int) -> int:
        free = self.person_free & self.grid.full
        return free if free == self.grid.full else runs(free, length)

    def _within_limits(self, minutes: int) -> int:
        grid, first, stop = self.grid, 0, self.grid.slots
        if self.not_before is not None:
            first = grid.ceil(self.not_before)
        if self.not_after is not None:
            stop = grid.floor(self.not_after - minutes * MINUTE) + 1
        return grid.span(first, stop)

    @cached_property
    def links(self) -> tuple[Link, ...]:
        """The protocol's rules and the order of the visits.

        Neighbours that no rule joins, not even through other visits, are wanted as close together as can be.
        """
        rules = [link for link in map(self._link, self.plan.spacings) if link is not None]
        together = {index: index for index in range(len(self.plan.visits))}
        for link in rules:
            _join(together, link.first, link.second)
        for index, visit in enumerate(self.plan.visits[:-1]):
            low = -(-visit.minutes // self.grid.minutes_per_slot)
            if any(
                (row.first, row.second) == (index, index + 1) and row.low >= low for row in rules
            ):
                continue  # a rule says it already
            joined = together[index] == together[index + 1]
            target = None if joined else visit.minutes
            rules.append(Link(index, index + 1, low, self.grid.slots, target))
            _join(together, index, index + 1)
        return tuple(sorted(rules, key=lambda row: row.second))

    def _link(self, rule: Spacing) -> Link | None:
        (first, first_at), (second, second_at) = self._anchor(rule.start), self._anchor(rule.end)
        ahead = second_at - first_at
        if first == second:
            if not rule.earliest <= ahead <= rule.latest:
                raise ValueError(f"Visit {first + 1} as planned breaks {rule.start} to {rule.end}.")
            return None
        if first > second:
            raise ValueError(f"The spacing from {rule.start} to {rule.end} runs backwards.")
        low = -((ahead - rule.earliest) // self.grid.slot)
        high = min((rule.latest - ahead) // self.grid.slot, self.grid.slots)
        return Link(first, second, low, high, (rule.target - ahead) // MINUTE)

    def _anchor(self, name: str) -> tuple[int, timedelta]:
        key, moment = split_anchor(name)
        for index, visit in enumerate(self.plan.visits):
            if visit.key == key:
                return index, anchor_offset(visit, moment)
        raise ValueError(f"The spacing anchor {name!r} names no visit of this protocol.")

    @cached_property
    def step(self) -> int:
        """Every difference between two starts on the raster is a multiple of so many slots."""
        offsets = [offset for _, _, offset in clock_periods(self.grid, self.zone)]
        changes = [abs(offset - offsets[0]) for offset in offsets]
        return max(1, gcd(self.raster_minutes, *changes) // self.grid.minutes_per_slot)

    def narrowed(self, starts: Sequence[int]) -> list[int]:
        """Drop starts that no start of a linked visit can follow or precede, until nothing changes.

        Once forth and once back is enough where each visit counts from one other.
        """
        found, before = list(starts), None
        tree = len({link.second for link in self.links}) == len(self.links)
        while found != before:
            before = list(found)
            for link in self.links:
                found[link.second] &= dilate(found[link.first], link.low, link.high)
            for link in reversed(self.links):
                found[link.first] &= dilate(found[link.second], -link.high, -link.low)
            if tree:
                break
        return found


def _join(together: dict[int, int], one: int, other: int) -> None:
    old, new = together[other], together[one]
    for index, label in together.items():
        if label == old:
            together[index] = new
