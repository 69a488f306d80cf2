"""Times read from the clock of a pressure device, put right by how wrong that clock was on the day.

Clocks of devices are set by hand and drift: field case F-55, eight minutes between monitor and record. Somebody
compares the device's display with the server once a day; a time read from the device then counts from that moment on,
so that neither the size of its error nor a clock change matters. Without a comparison of the day its times are uncertain.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)
# Displays that show minutes only can differ by up to a minute between two comparisons of a good clock (house value).
SET_MEANWHILE = timedelta(seconds=90)
# A clock further off than this is more often a slip of whoever types than of the clock (house value).
ASKED_TWICE = timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a device's clock showed at one moment of the server's; `key` is the row that keeps it."""

    key: int
    shown: time
    at: datetime


def offset(shown: time, at: datetime, zone: ZoneInfo) -> timedelta:
    """Return how far the device's clock is ahead of the zone's; within twelve hours either way."""
    ahead = (_since_midnight(shown) - _since_midnight(at.astimezone(zone).time())) % _DAY
    return ahead - _DAY if ahead > _DAY / 2 else ahead


def that_counts(comparisons: Sequence[Comparison], on: date, zone: ZoneInfo) -> Comparison | None:
    """Return the newest comparison of a local day; None where there is none, or the clock was set between two."""
    of_day = sorted(
        (one for one in comparisons if one.at.astimezone(zone).date() == on), key=lambda one: one.at
    )
    if not of_day:
        return None
    newest = of_day[-1]
    if any(_moved(one, newest) > SET_MEANWHILE for one in of_day):
        return None
    return newest


def _moved(one: Comparison, other: Comparison) -> timedelta:
    """Return by how much the device's clock went differently from the server's between two comparisons."""
    drift = (_since_midnight(other.shown) - _since_midnight(one.shown) - (other.at - one.at)) % _DAY
    return min(drift, _DAY - drift)


def moment_of(
    shown: time,
    compared: Comparison,
    *,
    on: date,
    zone: ZoneInfo,
    after: datetime | None,
    now: datetime,
) -> datetime | None:
    """Return when a device showed a time, by the server's clock; None when that has not come.

    With `after`, the start of the rest, the first such moment since then is meant, else the one of the local day `on`.
    """
    first = compared.at + _since_midnight(shown) - _since_midnight(compared.shown)
    moments = [first + n * _DAY for n in (-1, 0, 1) if first + n * _DAY <= now]
    if after is not None:
        return min((one for one in moments if one >= after), default=None)
    return max((one for one in moments if one.astimezone(zone).date() == on), default=None)


def shifted_to_now(moments: Sequence[datetime], now: datetime) -> list[datetime]:
    """Return uncertain moments with their gaps kept, none later than now."""
    beyond = max(max(moments, default=now) - now, timedelta(0))
    return [one - beyond for one in moments]


def _since_midnight(at: time) -> timedelta:
    return timedelta(
        hours=at.hour, minutes=at.minute, seconds=at.second, microseconds=at.microsecond
    )
