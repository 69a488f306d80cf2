"""When each place is open and taken, from opening hours, closures and bookings.

A constant number of queries, whatever the number of places, days and bookings.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from typing import Any

from django.db import connection
from psycopg.types.range import Range

from scheduling.rules.openings import Hours, open_between, without
from scheduling.rules.timeline import (
    Grid,
    Interval,
    PlaceIntervals,
    PlaceTimeline,
    free_bits,
    stamped_intervals,
    timelines,
    touched_slots,
)
from studylab.prepared import Question, ask_all

Rows = Sequence[tuple[Any, ...]]
PlaceRow = tuple[int, int, int, str, str, str]  # id, index, resource's id, kind, name, zone
NEVER = datetime(9999, 1, 1, tzinfo=UTC)  # nothing is held until then
GONE = "a place that is no longer in use"
# States in which a visit takes the volunteer's time.
HOLDING = ("booked", "running", "done", "stopped")


@dataclass(frozen=True, slots=True)
class PlaceName:
    """What a bookable place is called, and of which kind it is."""

    kind: str
    name: str
    resource_id: int | None = None


@dataclass(frozen=True, slots=True)
class FreePlaces:
    """The free slots of every place in use on a grid, and names per place: all that a search needs."""

    lines: Mapping[str, tuple[PlaceTimeline, ...]]
    names: Mapping[int, PlaceName]

    def name(self, place_id: Any) -> str:
        """Return a place's name, or words for a place that is no longer in use."""
        found = self.names.get(place_id)
        return found.name if found else GONE


@dataclass(frozen=True, slots=True)
class Occupancy:
    """Every place in use over [start, end): intervals per kind, and names per place."""

    start: datetime
    end: datetime
    places: Mapping[str, tuple[PlaceIntervals, ...]]
    names: Mapping[int, PlaceName]

    def timelines(self, grid: Grid) -> dict[str, tuple[PlaceTimeline, ...]]:
        """Return the free slots of every place."""
        return timelines(grid, self.places)

    def name(self, place_id: Any) -> str:
        """Return a place's name, or words for a place that is no longer in use."""
        found = self.names.get(place_id)
        return found.name if found else GONE


def place_name(resource: str, index: int, *, several: bool) -> str:
    """Return what a place is called: its resource's name, with a number where that has several."""
    return f"{resource}, place {index}" if several else resource


def span(start: datetime, end: datetime) -> Range:
    """Return [start, end) as the database takes it. The only maker of ranges in this app."""
    return Range(start, end, bounds="[)")


def occupancy(
    start: datetime,
    end: datetime,
    *,
    kinds: Collection[str] | None = None,
    ignoring: Collection[int] = (),
    at: datetime | None = None,
    held_for: Collection[int] = (),
    without_users: Collection[int] = (),
    only: Collection[int] | None = None,
) -> Occupancy:
    """Return openings less closures, and blocked times, of all places in use. `ignoring` are visits' ids.

    With `only`, ids of places, nothing but the resources of these is read.

    With `at`, options held at that instant count as blocked too, but for those of the participants `held_for`.
    `without_users` leaves out people who are kept away from a volunteer.
    """
    rows = _places(kinds, without_users, only)
    opened, taken = _open_and_taken(rows, start, end, ignoring, at or NEVER, held_for)
    busy = {place: stamped_intervals(stamps) for place, stamps in taken.items()}
    found: dict[str, list[PlaceIntervals]] = defaultdict(list)
    for place_id, _index, resource_id, kind, _name, _zone in rows:
        found[kind].append(PlaceIntervals(place_id, opened[resource_id], busy.get(place_id, ())))
    places = {kind: tuple(rows) for kind, rows in found.items()}
    return Occupancy(start, end, places, _names(rows))


def free_places(
    grid: Grid,
    *,
    kinds: Collection[str],
    ignoring: Collection[int] = (),
    at: datetime,
    held_for: Collection[int] = (),
    without_users: Collection[int] = (),
) -> FreePlaces:
    """Return what `occupancy` says as free slots of a grid, without an object per booking in between."""
    rows = _places(kinds, without_users)
    opened, taken = _open_and_taken(rows, grid.start, grid.end, ignoring, at, held_for)
    busy = {place: touched_slots(grid, stamps) for place, stamps in taken.items()}
    open_bits = {intervals: free_bits(grid, intervals) for intervals in set(opened.values())}
    found: dict[str, list[PlaceTimeline]] = defaultdict(list)
    for place_id, _index, resource_id, kind, _name, _zone in rows:
        free = open_bits[opened[resource_id]] & ~busy.get(place_id, 0)
        found[kind].append(PlaceTimeline(place_id, free))
    return FreePlaces({kind: tuple(rows) for kind, rows in found.items()}, _names(rows))


def _open_and_taken(
    rows: Sequence[PlaceRow],
    start: datetime,
    end: datetime,
    ignoring: Collection[int],
    at: datetime,
    held_for: Collection[int],
) -> tuple[dict[int, tuple[Interval, ...]], dict[int, bytes]]:
    """Return when each resource can be used, and per place the times that `_taken` asks for, in one journey."""
    zones, within = {row[2]: row[5] for row in rows}, span(start, end)
    weeks, dated, taken = ask_all(
        _weeks(zones), _closures_and_shifts(zones, start, end),
        _taken([row[0] for row in rows], within, ignoring, at, held_for),
    )  # fmt: skip
    opened = _opened(zones, start, end, weeks, dated)
    return opened, {place: bytes(stamps) for place, stamps in taken}


def _places(
    kinds: Collection[str] | None,
    without_users: Collection[int],
    only: Collection[int] | None = None,
) -> list[PlaceRow]:
    wanted = None if kinds is None else list(kinds)
    places = None if only is None else list(only)
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT p.id, p.index, r.id, r.kind, r.name, r.timezone
            FROM scheduling_place p JOIN scheduling_resource r ON r.id = p.resource_id
            WHERE r.is_active AND (r.user_id IS NULL OR NOT r.user_id = ANY(%s::bigint[]))
              AND (%s::text[] IS NULL OR r.kind = ANY(%s::text[]))
              AND (%s::bigint[] IS NULL
                   OR r.id IN (SELECT resource_id FROM scheduling_place WHERE id = ANY(%s::bigint[])))
            ORDER BY r.name, p.index
            """,
            # Not by name: where guards are passed by, pgtrigger puts a value of its own before these.
            [list(without_users), wanted, wanted, places, places],
        )
        return cursor.fetchall()


def _names(rows: Sequence[PlaceRow]) -> dict[int, PlaceName]:
    several = {row[2] for row in rows if row[1] > 1}
    return {
        place_id: PlaceName(
            kind, place_name(name, index, several=resource_id in several), resource_id
        )
        for place_id, index, resource_id, kind, name, _zone in rows
    }


def _opened(
    zones: Mapping[int, str], start: datetime, end: datetime, weeks: Rows, dated: Rows
) -> dict[int, tuple[Interval, ...]]:
    """Return when each resource can be used: its hours, or its shifts on days that have some, less its own
    closures and those of the whole lab."""
    week_of: dict[int, str] = dict(weeks)
    closed: dict[int | None, list[Interval]] = defaultdict(list)
    shifts: dict[int | None, list[Interval]] = defaultdict(list)
    for is_closure, resource_id, lower, upper in dated:
        (closed if is_closure else shifts)[resource_id].append((lower, upper))
    # Most resources keep the hours of the house: equal ones are worked out once.
    known: dict[tuple[Any, ...], tuple[Interval, ...]] = {}
    found = {}
    for resource_id, zone in zones.items():
        shut = (*closed[resource_id], *closed[None])
        own = tuple(sorted(shifts[resource_id]))
        key = (zone, week_of.get(resource_id, ""), own, shut)
        if key not in known:
            known[key] = without(_open_hours(key[1], zone, start, end, own), shut)
        found[resource_id] = known[key]
    return found


def _closures_and_shifts(resource_ids: Collection[int], start: datetime, end: datetime) -> Question:
    """Ask for closures (true) and shifts (false) within [start, end) by their resource, None for the whole lab."""
    # A day earlier and later, so that a shift on the first or last local day is known to be there.
    ids, day = list(resource_ids), timedelta(days=1)
    return (
        """
        SELECT true, resource_id, lower(during), upper(during) FROM scheduling_closure
        WHERE (resource_id = ANY(%s) OR resource_id IS NULL) AND during && %s
        UNION ALL
        SELECT false, resource_id, lower(during), upper(during) FROM scheduling_shift
        WHERE resource_id = ANY(%s) AND during && %s
        """,
        [ids, span(start, end), ids, span(start - day, end + day)],
    )


def _weeks(resource_ids: Collection[int]) -> Question:
    """Ask for the weekly hours of each resource as text, equal for equal hours: one row for each."""
    return (
        """
        SELECT resource_id, string_agg(concat_ws(' ', weekday, opens, closes), ',' ORDER BY weekday, opens)
        FROM scheduling_opening WHERE resource_id = ANY(%s) GROUP BY resource_id
        """,
        [list(resource_ids)],
    )


@lru_cache(maxsize=256)
def _open_hours(
    week: str, zone: str, start: datetime, end: datetime, own: tuple[Interval, ...]
) -> tuple[Interval, ...]:
    rows = [part.split() for part in week.split(",") if part]
    hours = [
        Hours(int(weekday), time.fromisoformat(opens), time.fromisoformat(closes))
        for weekday, opens, closes in rows
    ]
    return open_between(hours, zone, start, end, own)


def _taken(
    ids: list[int],
    within: Range,
    ignoring: Collection[int],
    at: datetime,
    held_for: Collection[int],
) -> Question:
    """Ask when places are booked, or held at an instant for anybody but the participants `held_for`.

    One row for each place, its times as `stamped_intervals` and `touched_slots` read them.
    """
    return (
        """
        SELECT place_id, string_agg(
            timestamptz_send(lower(blocked)) || timestamptz_send(upper(blocked)), ''::bytea)
        FROM (
            SELECT place_id, blocked FROM scheduling_booking
            WHERE is_active AND place_id = ANY(%s) AND blocked && %s AND NOT visit_id = ANY(%s)
            UNION ALL
            SELECT p.place_id, p.blocked FROM scheduling_heldplace p
            JOIN scheduling_optionhold h ON h.id = p.hold_id
            WHERE p.is_active AND h.is_active AND h.until > %s
              AND p.place_id = ANY(%s) AND p.blocked && %s AND NOT h.participant_id = ANY(%s)
        ) AS taken GROUP BY place_id
        """,
        [ids, within, list(ignoring), at, ids, within, list(held_for)],
    )


def free_of(busy: Iterable[Interval], start: datetime, end: datetime) -> tuple[Interval, ...]:
    """Return [start, end) less the busy times."""
    return without([(start, end)], busy)
