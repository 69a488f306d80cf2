"""The smallest changes that would give a series where there is none, each tried by searching again.

Tried one at a time: a later last day; everything of a kind open longer on one weekday, at the end or at the
beginning, in steps of a quarter of an hour; the volunteer free longer in the same way; one more place of a kind.
Spacing, washout and sign-off are never given up.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import WEEKDAYS, local_day, local_day_bounds, say_day
from scheduling.rules.openings import joined
from scheduling.rules.problem import Problem
from scheduling.rules.series import kinds_needed
from scheduling.rules.timeline import Interval, PlaceIntervals, PlaceTimeline, free_bits

STEP = timedelta(minutes=15)
MOST = timedelta(hours=3)
DAY = timedelta(days=1)
ENOUGH = 50  # series that are counted at most
VOLUNTEER = "the volunteer"
LAST_DAY = "the last day"
Side = Literal["end", "start"]
Places = Mapping[str, Sequence[PlaceIntervals]]
Count = Callable[[Problem, int], int]  # series of a problem, counted up to a number


@dataclass(frozen=True, slots=True)
class Relaxation:
    """One change that gives `count` series, `by` being the least that does; None for one more place.

    `what` is a resource kind, VOLUNTEER or LAST_DAY; without a `weekday` it is open longer every day. `count` stops at
    ENOUGH.
    """

    what: str
    weekday: int | None
    side: Side | None
    by: timedelta | None
    count: int
    words: str
    until: date | None = None  # the later last day


def relaxations(
    problem: Problem,
    places: Places,
    own: PlaceIntervals,
    count: Count,
    *,
    most: int = 4,
) -> tuple[Relaxation, ...]:
    """Return the smallest changes that give a series, least first.

    `places` and `own` (the volunteer's times) are what `problem` was made of, as intervals.
    """
    found: list[Relaxation] = []
    for what in (*kinds_needed(problem.plan), VOLUNTEER):
        if what in places or what == VOLUNTEER:
            found += _longer(problem, places, own, what, count)
    found.sort(key=lambda row: (row.by or MOST, -row.count))
    for kind in kinds_needed(problem.plan):
        row = _one_more(problem, places, kind, count)
        found += [row] if row else []
    return tuple(found[:most])


def later_end(problem: Problem, asked_until: datetime, count: Count) -> tuple[Relaxation, ...]:
    """Return the earliest later last day that gives a series, none when no day of the grid does.

    `problem` is what was asked for on a longer grid than the one that ended at `asked_until`.
    """
    ends = []
    day = local_day(asked_until, problem.zone)
    while (end := local_day_bounds(day, problem.zone)[1]) <= problem.grid.end:
        ends.append(end)
        day += DAY
    if not ends or not count(problem, 1):
        return ()
    index = bisect_left(
        range(len(ends) - 1),
        True,
        key=lambda n: bool(count(replace(problem, not_after=ends[n]), 1)),
    )
    last = ends[index]
    found = count(replace(problem, not_after=last), ENOUGH)
    local = (last - STEP).astimezone(problem.zone)
    words = f"With days until {say_day(local)} {_there_are(found)}."
    return (Relaxation(LAST_DAY, None, "end", last - asked_until, found, words, local.date()),)


def longer(row: Sequence[Interval], by: timedelta, side: Side, chosen: Callable[[Interval], bool]) -> tuple[Interval, ...]:  # fmt: skip
    """Return intervals of which the chosen ones begin earlier or end later."""
    return joined(
        (start - by if side == "start" else start, end + by if side == "end" else end)
        if chosen((start, end))
        else (start, end)
        for start, end in row
    )


def changed(
    problem: Problem,
    places: Places,
    own: PlaceIntervals,
    what: str,
    change: Callable[[Sequence[Interval]], tuple[Interval, ...]],
) -> Problem:
    """Return the problem with other hours of a kind or of the volunteer."""
    if what == VOLUNTEER:
        return replace(problem, person_free=free_bits(problem.grid, change(own.open), own.busy))
    rows = tuple(
        PlaceTimeline(row.place_id, free_bits(problem.grid, change(row.open), row.busy))
        for row in places[what]
    )
    return _with_places(problem, what, rows)


def _with_places(problem: Problem, kind: str, rows: tuple[PlaceTimeline, ...]) -> Problem:
    return problem.with_fits(problem.fits.with_kind(kind, rows))


def _longer(
    problem: Problem, places: Places, own: PlaceIntervals, what: str, count: Count
) -> Iterator[Relaxation]:
    hours = [row for place in places.get(what, ()) for row in place.open]
    if what == VOLUNTEER:
        hours = [row for row in own.open if row[1] - row[0] <= DAY]

    def tried(by: timedelta, side: Side, weekday: int | None) -> Problem:
        def on_day(row: Interval) -> bool:
            return weekday is None or _weekday(problem, row) == weekday

        return changed(problem, places, own, what, lambda rows: longer(rows, by, side, on_day))

    sides: tuple[Side, Side] = ("end", "start")
    for side in sides:
        if not count(tried(MOST, side, None), 1):
            continue  # nothing on any day helps, so nothing on one day does
        days = sorted({_weekday(problem, row) for row in hours})
        alone: list[int | None] = [day for day in days if count(tried(MOST, side, day), 1)]
        for weekday in alone or [None]:  # where no one day is enough, every day together
            low, high = 1, MOST // STEP
            while low < high:
                middle = (low + high) // 2
                if count(tried(middle * STEP, side, weekday), 1):
                    high = middle
                else:
                    low = middle + 1
            by = high * STEP
            yield Relaxation(
                what, weekday, side, by, found := count(tried(by, side, weekday), ENOUGH),
                _say_longer(problem, hours, what, weekday, side, by, found),
            )  # fmt: skip


def _one_more(problem: Problem, places: Places, kind: str, count: Count) -> Relaxation | None:
    opened = joined(row for place in places.get(kind, ()) for row in place.open)
    if not opened:
        return None
    extra = PlaceTimeline(f"one more {kind}", free_bits(problem.grid, opened))
    more = _with_places(problem, kind, (*problem.fits.places.get(kind, ()), extra))
    found = count(more, ENOUGH)
    if not found:
        return None
    words = f"With one more {kind.replace('_', ' ')} {_there_are(found)}."
    return Relaxation(kind, None, None, None, found, words)


def _weekday(problem: Problem, row: Interval) -> int:
    return row[0].astimezone(problem.zone).weekday()


def _say_longer(
    problem: Problem,
    hours: Sequence[Interval],
    what: str,
    weekday: int | None,
    side: Side,
    by: timedelta,
    count: int,
) -> str:
    rows = [row for row in hours if weekday in (None, _weekday(problem, row))]
    if side == "end":
        until = max((end + by).astimezone(problem.zone).time() for _, end in rows)
        said = f"until {until:%H:%M}"
    else:
        since = min((start - by).astimezone(problem.zone).time() for start, _ in rows)
        said = f"from {since:%H:%M}"
    name = what.replace("_", " ")
    when = "every day" if weekday is None else f"on {WEEKDAYS[weekday]}s"
    return f"With {name} {said} {when} {_there_are(count)}."


def _there_are(count: int) -> str:
    if count >= ENOUGH:
        return f"there are {ENOUGH} or more"
    return "there is 1" if count == 1 else f"there are {count}"
