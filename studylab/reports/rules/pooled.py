"""Values before and after the dose, pooled over the arms, so that nobody's value can be found by subtraction.

Withheld below a number of people, then released for so many people more at a time. A release is as the record stood
when its last person was complete: a correction made later shows with the next release, or a changed figure would be
one person's change. Only means and standard deviations leave here; a median, a range or a histogram would be values
of single people.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import fmean, stdev
from typing import Literal

MEASURES = (("systolic", "mmHg"), ("diastolic", "mmHg"), ("pulse", "per minute"))
Values = tuple[float, float, float]
Uses = Sequence[tuple[datetime, bool]]  # when it was recorded, in order, and whether use ends


@dataclass(frozen=True, slots=True)
class Reading:
    """One decided set of a person, before or after the dose; `replaced_at` is when a correction of it was entered."""

    person: int
    gate: Literal["before", "after"]
    taken_at: datetime
    recorded_at: datetime
    replaced_at: datetime | None
    values: Values


@dataclass(frozen=True, slots=True)
class Spread:
    """Mean and standard deviation over people, one decimal: nothing finer is shown."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Line:
    """One measure: before, after, and the change within people."""

    name: str
    unit: str
    before: Spread
    after: Spread
    change: Spread


@dataclass(frozen=True, slots=True)
class Release:
    """What may be looked at: of whom, as the record stood when, and the figures."""

    people: tuple[int, ...]
    as_of: datetime
    lines: tuple[Line, ...]


def released_people(complete: int, *, first: int, step: int) -> int:
    """Return of how many people figures are shown when so many are complete; 0 while withheld."""
    return 0 if complete < first else complete - (complete - first) % step


def release(
    readings: Iterable[Reading], *, first: int, step: int, unused: Mapping[int, Uses] | None = None
) -> Release | None:
    """Return the newest release, None while everything is withheld. `first` and `step` are numbers of people.

    `unused` holds what people said on the use of their data, see `Uses`. Whoever had asked by then that it ends is left
    out. Whoever changed it since would be found by subtraction: nothing is shown until the next step.
    """
    of: dict[int, list[Reading]] = {}
    for one in readings:
        of.setdefault(one.person, []).append(one)
    complete = sorted((at, person) for person, mine in of.items() if (at := _complete_at(mine)))
    shown = released_people(len(complete), first=first, step=step)
    if not shown:
        return None
    as_of, those = complete[shown - 1][0], [person for _at, person in complete[:shown]]
    wishes = unused or {}
    if any(_unused(wishes.get(one, ()), as_of) != _unused(wishes.get(one, ())) for one in those):
        return None
    people = tuple(one for one in those if not _unused(wishes.get(one, ())))
    if len(people) < first:
        return None
    pairs = [_pair(of[person], as_of) for person in people]
    lines = tuple(_line(place, pairs) for place in range(len(MEASURES)))
    return Release(people, as_of, lines)


def _unused(uses: Uses, at: datetime | None = None) -> bool:
    """Whether the person's data were not to be used at an instant, or as it stands."""
    known = [ended for when, ended in uses if at is None or when <= at]
    return bool(known) and known[-1]


def _complete_at(readings: Sequence[Reading]) -> datetime | None:
    """When both a set before and a set after the dose were on record for the first time."""
    first = {
        gate: min((one.recorded_at for one in readings if one.gate == gate), default=None)
        for gate in ("before", "after")
    }
    found = [at for at in first.values() if at is not None]
    return max(found) if len(found) == len(first) else None


def _pair(readings: Sequence[Reading], at: datetime) -> tuple[Values, Values]:
    """The last set before and the first set after the dose, as the record stood at an instant."""
    known = [one for one in readings if one.recorded_at <= at]
    # Should every set of a kind be corrected away undecided, the last one known stands in.
    standing = [one for one in known if one.replaced_at is None or one.replaced_at > at]
    before = _of(standing, "before") or _of(known, "before")
    after = _of(standing, "after") or _of(known, "after")
    last = max(before, key=lambda one: (one.taken_at, one.recorded_at))
    earliest = min(after, key=lambda one: (one.taken_at, one.recorded_at))
    return last.values, earliest.values


def _of(readings: Sequence[Reading], gate: str) -> list[Reading]:
    return [one for one in readings if one.gate == gate]


def _line(place: int, pairs: Sequence[tuple[Values, Values]]) -> Line:
    before, after = ([pair[side][place] for pair in pairs] for side in (0, 1))
    change = [b - a for a, b in zip(before, after, strict=True)]
    name, unit = MEASURES[place]
    return Line(name, unit, _spread(before), _spread(after), _spread(change))


def _spread(values: Sequence[float]) -> Spread:
    return Spread(round(fmean(values), 1), round(stdev(values), 1))
