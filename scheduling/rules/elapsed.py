"""Elapsed time, clock time and local days.

Python subtracts and adds two datetimes of one zone by the clock on the wall, so across a clock change the
result is wrong by the change. Everything that asks "how long" or "how much later" goes through this module,
which works in UTC; everything that asks "same time tomorrow" or "which day" goes through the zone.

Local times that do not exist (spring) or happen twice (autumn) are never resolved silently: `parse_local`
raises `LocalTimeProblem` with the choices that a form can offer. Zones are IANA names or `ZoneInfo`.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

Zone = ZoneInfo | str
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LocalChoice:
    """One instant that a problematic local time may have meant: UTC instant, fold, and words for a form."""

    at: datetime
    fold: int
    label: str


class LocalTimeProblem(ValueError):
    """A local time that does not exist ("missing") or happens twice ("doubled").

    `choices` are the instants to offer: both readings of a doubled time, in order; for a missing time the
    first moment after the gap.
    """

    def __init__(
        self, message: str, *, kind: Literal["missing", "doubled"], choices: tuple[LocalChoice, ...]
    ) -> None:
        super().__init__(message)
        self.message = message
        self.kind = kind
        self.choices = choices


@dataclass(frozen=True, slots=True)
class SameClock:
    """The same clock time on another day; `moved` when that time does not exist there, `doubled` when twice."""

    at: datetime
    moved: bool
    doubled: bool


def load_zone(zone: Zone) -> ZoneInfo:
    """Return the zone; ValueError naming the value when no such IANA zone exists."""
    if isinstance(zone, ZoneInfo):
        return zone
    try:
        return ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as problem:
        raise ValueError(
            f"There is no time zone {zone!r}: use an IANA name such as Europe/Amsterdam."
        ) from problem


def to_utc(at: datetime, field: str = "at") -> datetime:
    """Return the instant in UTC; ValueError naming `field` when it carries no zone."""
    if at.tzinfo is UTC:  # the usual case, and the search converts tens of thousands
        return at
    if at.tzinfo is None or at.utcoffset() is None:
        raise ValueError(f"{field} has no time zone: {at!r} does not say which instant is meant.")
    return at.astimezone(UTC)


def elapsed(start: datetime, end: datetime) -> timedelta:
    """Return the time that passes from `start` to `end`, whatever the clocks do."""
    return to_utc(end, "end") - to_utc(start, "start")


def add_elapsed(at: datetime, delta: timedelta) -> datetime:
    """Return the instant, in UTC, that comes `delta` of elapsed time after `at`."""
    return to_utc(at, "at") + delta


def same_clock(at: datetime, zone: Zone, days: int = 1) -> SameClock:
    """Return the same clock time `days` local days later and whether that day's clock allowed it.

    A time that the clock skips becomes the first existing one after it; of a time that happens twice the
    first is taken, as RFC 5545 reads it.
    """
    tz = load_zone(zone)
    naive = to_utc(at).astimezone(tz).replace(tzinfo=None, fold=0) + timedelta(days=days)
    first, second = _readings(naive, tz)
    if first > second:
        return SameClock(_gap_end(naive, tz), moved=True, doubled=False)
    return SameClock(first, moved=False, doubled=first != second)


def same_clock_next_day(at: datetime, zone: Zone, days: int = 1) -> datetime:
    """Return `same_clock(...)` as an instant in UTC, for callers that need no flag."""
    return same_clock(at, zone, days).at


def local_day_bounds(day: date, zone: Zone) -> tuple[datetime, datetime]:
    """Return the UTC start and end, half open, of a local day: 23, 24 or 25 hours, or another length."""
    tz = load_zone(zone)
    return _first_instant(day, tz), _first_instant(day + timedelta(days=1), tz)


def local_day(at: datetime, zone: Zone) -> date:
    """Return the local calendar day on which an instant falls."""
    return to_utc(at).astimezone(load_zone(zone)).date()


def parse_local(value: str | datetime, zone: Zone, *, fold: int | None = None) -> datetime:
    """Read a local clock time and return the instant in UTC.

    `value` is a naive datetime or text such as "2026-10-25T02:30"; with an offset of its own it is already an
    instant and is only converted. `fold` chooses the first (0) or second (1) reading of a doubled time.
    Raises ValueError for unreadable text and `LocalTimeProblem` for missing and undecided doubled times.
    """
    tz = load_zone(zone)
    naive = _read(value)
    if naive.tzinfo is not None:
        return to_utc(naive, "value")
    if fold not in (None, 0, 1):
        raise ValueError(f"fold must be 0 (the first time) or 1 (the second), not {fold!r}.")
    first, second = _readings(naive.replace(fold=0), tz)
    if first > second:
        raise _missing(naive, tz)
    if first == second:
        return first
    if fold is None:
        raise _doubled(naive, tz, first, second)
    return (first, second)[fold]


def describe_shift(start: datetime, target: timedelta, zone: Zone) -> str | None:
    """Say how the clock differs when `target` of elapsed time crosses a clock change; None when it does not."""
    tz = load_zone(zone)
    begin = to_utc(start, "start")
    local_start, local_end = begin.astimezone(tz), (begin + target).astimezone(tz)
    expected = local_start.replace(tzinfo=None, fold=0) + target
    if local_end.replace(tzinfo=None) == expected:
        return None
    words = f"{hours_words(target)} later is {say_time(local_end)} on {say_day(local_end)}"
    if target % timedelta(days=1):
        return f"{words}, not {clock(expected)}: the clocks change in between ({tz.key})."
    same = same_clock(begin, tz, target.days)
    shown, passed = same.at.astimezone(tz), hours_words(same.at - begin)
    if same.moved:
        return (
            f"{words}. The clocks change in between ({tz.key}): {clock(expected)} does not exist that day; "
            f"{say_time(shown)}, the first time after it, is {passed} later."
        )
    return (
        f"{words}; the same clock time, {say_time(shown)} on {say_day(shown)}, is {passed} later. "
        f"The clocks change in between ({tz.key})."
    )


def hours_words(delta: timedelta) -> str:
    """Return a duration in words, to the second where it has seconds: "24 h 30 min", "90 min" as "1 h 30 min"."""
    seconds = round(delta.total_seconds())
    sign, seconds = ("minus " if seconds < 0 else ""), abs(seconds)
    hours, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    named = ((hours, "h"), (minutes, "min"), (seconds, "s"))
    return sign + (" ".join(f"{count} {unit}" for count, unit in named if count) or "0 min")


def clock(local: datetime) -> str:
    """Return a clock time: "09:30"."""
    return f"{local.hour:02}:{local.minute:02}"


def say_time(local: datetime) -> str:
    """Return a clock time with its offset from UTC: "11:00 (UTC+02:00)"."""
    return f"{clock(local)} (UTC{local.isoformat()[-6:]})"


def say_day(local: datetime) -> str:
    """Return a local day in words, in English whatever the machine's language: "Sunday 29 March 2026"."""
    return f"{WEEKDAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]} {local.year}"


def _read(value: str | datetime) -> datetime:
    if isinstance(value, datetime):
        return value
    text = value.strip()
    try:
        if len(text) < len("2026-01-01T00:00"):
            raise ValueError("a day without a clock time")
        return datetime.fromisoformat(text)
    except ValueError as problem:
        raise ValueError(
            f"{value!r} is not a date and time: write it as 2026-10-25T14:30."
        ) from problem


def _readings(naive: datetime, tz: ZoneInfo) -> tuple[datetime, datetime]:
    """Both readings of a clock time: equal normally, ascending when doubled, descending when missing."""
    first = naive.replace(tzinfo=tz, fold=0).astimezone(UTC)
    return first, naive.replace(tzinfo=tz, fold=1).astimezone(UTC)


def _gap_end(naive: datetime, tz: ZoneInfo) -> datetime:
    """The instant of the clock change that swallows `naive`."""
    after, before = _readings(naive, tz)
    return change_between(before, after, tz)


def change_between(before: datetime, after: datetime, tz: ZoneInfo) -> datetime:
    """Find, to the second, the first UTC instant in (before, after] whose offset is no longer that of `before`."""
    old = before.astimezone(tz).utcoffset()
    low, high = int(before.timestamp()), int(after.timestamp())
    while high - low > 1:
        middle = (low + high) // 2
        same = datetime.fromtimestamp(middle, tz).utcoffset() == old
        low, high = (middle, high) if same else (low, middle)
    return datetime.fromtimestamp(high, UTC)


def _first_instant(day: date, tz: ZoneInfo) -> datetime:
    midnight = datetime.combine(day, time.min)
    first, second = _readings(midnight, tz)
    return first if first <= second else _gap_end(midnight, tz)


def _missing(naive: datetime, tz: ZoneInfo) -> LocalTimeProblem:
    after = _gap_end(naive, tz).astimezone(tz)
    choice = LocalChoice(
        after.astimezone(UTC), 0, f"{say_time(after)}, the first time after the change"
    )
    return LocalTimeProblem(
        f"{clock(naive)} on {say_day(naive)} does not exist in {tz.key}: the clocks go forward then. "
        f"Choose another time; the first one after it is {clock(after)}.",
        kind="missing",
        choices=(choice,),
    )


def _doubled(naive: datetime, tz: ZoneInfo, first: datetime, second: datetime) -> LocalTimeProblem:
    names = ("before the clocks go back", "after the clocks go back")
    choices = tuple(
        LocalChoice(at, fold, f"{say_time(at.astimezone(tz))}, {names[fold]}")
        for fold, at in enumerate((first, second))
    )
    return LocalTimeProblem(
        f"{clock(naive)} on {say_day(naive)} happens twice in {tz.key}: the clocks go back then. "
        "Say whether the first or the second is meant.",
        kind="doubled",
        choices=choices,
    )
