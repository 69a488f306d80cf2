"""What the search takes and gives, as plain values."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import NamedTuple

from scheduling.rules.occupation import Occupation
from scheduling.rules.timeline import (
    PlaceId,
)
from studylab.studies.rules.protocol import Protocol, VisitPlan

MINUTE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Preferences:
    """What the volunteer and the lab would like.

    `same_clock` puts series at one time of day first, else those nearest to the targets come first and the time of
    day only parts equals; `earliest` puts sooner series first, else later ones;
    `weekdays` (Monday 0) are the only days allowed for any visit, None for all; `per_day` keeps the answer
    varied: no more than so many options that begin on one local day, None for no such limit. Series served by
    one place of `same_kind` throughout come first, as do those inside `liked` (slots of the grid).
    """

    same_clock: bool = False
    earliest: bool = True
    weekdays: frozenset[int] | None = None
    per_day: int | None = 4
    same_kind: str | None = None
    liked: int | None = None


class PlaceRef(NamedTuple):
    """A bookable place of a resource kind."""

    kind: str
    place_id: PlaceId


class SegmentOption(NamedTuple):
    """A segment at a time, with the places that serve it. Instants are UTC."""

    key: str
    start: datetime
    end: datetime
    places: tuple[PlaceRef, ...]


@dataclass(frozen=True, slots=True)
class VisitOption:
    """A visit at a time. Instants are UTC."""

    number: int
    start: datetime
    end: datetime
    segments: tuple[SegmentOption, ...]


@dataclass(frozen=True, slots=True)
class SeriesOption:
    """A bookable series. `score` counts minutes away from the ideal: 0 is best."""

    visits: tuple[VisitOption, ...]
    score: int


def visit_at(
    visit: VisitPlan, start: datetime, places: Sequence[tuple[PlaceRef, ...]]
) -> VisitOption:
    """Return a visit that starts at an instant, with the places that serve each of its segments."""
    segments, at = [], start
    for segment, refs in zip(visit.segments, places, strict=True):
        end = at + _minutes(segment.minutes)
        segments.append(SegmentOption(segment.key, at, end, refs))
        at = end
    return VisitOption(visit.number, start, at, tuple(segments))


def served_visit(
    visit: VisitPlan,
    start: datetime,
    needed: tuple[Occupation, ...],
    places: Sequence[PlaceId],
) -> VisitOption:
    """Return a visit that starts at an instant, from the place of each of its occupations."""
    refs = [_ref(row.kind, place) for row, place in zip(needed, places, strict=True)]
    at_work = _at_work(needed, len(visit.segments))
    return visit_at(visit, start, [tuple([refs[number] for number in row]) for row in at_work])


def places_of(option: SeriesOption, kind: str) -> list[PlaceId]:
    """Return the places of a kind that serve a series, each once, in order of time."""
    return list(
        dict.fromkeys(
            ref.place_id
            for visit in option.visits
            for row in visit.segments
            for ref in row.places
            if ref.kind == kind
        )
    )


# The same few values stand in every option of a search.
_ref = lru_cache(maxsize=4096)(PlaceRef)


@lru_cache(maxsize=1024)
def _minutes(count: int) -> timedelta:
    return timedelta(minutes=count)


@lru_cache(maxsize=256)
def _at_work(needed: tuple[Occupation, ...], segments: int) -> tuple[tuple[int, ...], ...]:
    """Return, per segment, the numbers of the occupations that it is part of."""
    return tuple(
        tuple(number for number, row in enumerate(needed) if row.first <= position <= row.last)
        for position in range(segments)
    )


@dataclass(frozen=True, slots=True)
class SearchResult:
    """Options, best first; when there are none, `why_none` says in full sentences what stands in the way."""

    options: tuple[SeriesOption, ...]
    why_none: tuple[str, ...]


def kinds_needed(plan: Protocol) -> Mapping[str, tuple[int, ...]]:
    """Return every resource kind that the protocol needs, with the numbers of the visits that need it."""
    found: dict[str, list[int]] = {}
    for visit in plan.visits:
        for kind in {need.kind: None for segment in visit.segments for need in segment.needs}:
            found.setdefault(kind, []).append(visit.number)
    return {kind: tuple(numbers) for kind, numbers in found.items()}
