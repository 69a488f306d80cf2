"""When a volunteer can come: half-days of the week, times of day, and days away, on the study's local clock."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, time

from scheduling.rules.elapsed import Zone, local_day_bounds
from scheduling.rules.openings import WEEKDAYS, Hours, open_between, without
from scheduling.rules.timeline import Interval

NOON = time(13)  # a morning lasts until one o'clock, an afternoon from then on
# "0 am" is Monday morning, "6 pm" Sunday afternoon.
HALVES = tuple(f"{day} {half}" for day in range(7) for half in ("am", "pm"))


@dataclass(frozen=True, slots=True)
class Times:
    """What is known of somebody's times; nothing said means any time. `away` days are both included."""

    cannot: frozenset[str] = frozenset()
    rather_not: frozenset[str] = frozenset()
    not_earlier: time | None = None
    not_later: time | None = None
    away: tuple[tuple[date, date], ...] = ()

    def possible(self, zone: Zone, start: datetime, end: datetime) -> tuple[Interval, ...]:
        """Return when the volunteer can be here within [start, end)."""
        return self._between(self.cannot, zone, start, end)

    def liked(self, zone: Zone, start: datetime, end: datetime) -> tuple[Interval, ...]:
        """Return when the volunteer can and would like to be here within [start, end)."""
        return self._between(self.cannot | self.rather_not, zone, start, end)

    def _between(
        self, never: Collection[str], zone: Zone, start: datetime, end: datetime
    ) -> tuple[Interval, ...]:
        opens, closes = self.not_earlier or time.min, self.not_later or time.max
        hours = []
        for half in HALVES:
            day, part = half.split()
            first, last = (time.min, NOON) if part == "am" else (NOON, time.max)
            begin, finish = max(first, opens), min(last, closes)
            if half not in never and begin < finish:
                hours.append(Hours(int(day), begin, finish))
        gone = [
            (local_day_bounds(first, zone)[0], local_day_bounds(last, zone)[1])
            for first, last in self.away
        ]
        return without(open_between(hours, zone, start, end), gone)


def say_half(half: str) -> str:
    """Return a half-day in words: "Monday morning"."""
    day, part = half.split()
    return f"{WEEKDAYS[int(day)]} {'morning' if part == 'am' else 'afternoon'}"


def read_away(text: str) -> tuple[tuple[date, date], ...]:
    """Read days away such as "2026-12-03, 2026-12-21 to 2027-01-04".

    ValueError says what is not understood, or names an end before its start.
    """
    found = []
    for part in (piece.strip() for piece in text.replace("\n", ",").split(",")):
        if not part:
            continue
        ends = [_day(word) for word in part.replace("–", " to ").split(" to ")]
        if len(ends) > 2:
            raise ValueError(
                f"“{part}” is not understood. Write one day, or two with “to” between."
            )
        first, last = ends[0], ends[-1]
        if last < first:
            raise ValueError(f"“{part}” ends before it begins.")
        found.append((first, last))
    return tuple(sorted(found))


def say_away(away: Collection[tuple[date, date]]) -> str:
    """Return days away as they are typed."""
    return ", ".join(
        first.isoformat() if first == last else f"{first.isoformat()} to {last.isoformat()}"
        for first, last in away
    )


def _day(word: str) -> date:
    try:
        return date.fromisoformat(word.strip())
    except ValueError as problem:
        raise ValueError(
            f"“{word.strip()}” is not a day. Write days as 2026-12-03, periods as 2026-12-21 to 2027-01-04."
        ) from problem
