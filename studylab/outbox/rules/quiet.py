"""Quiet hours: when nobody wants their telephone to ring, by the clock where they live.

Judged quarter of an hour by quarter of an hour in UTC, so the nights on which clocks change need no case of their
own: an instant is quiet when the clock on the wall then reads between the two times, whichever reading it is.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

QUARTER = timedelta(minutes=15)
_DAY_AND_MORE = 120  # quarters: 30 hours, longer than any local day


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From `begin` (quiet already) until `end` (not quiet any more); past midnight when `end` is earlier.

    Both are whole quarters of an hour; equal times mean that there are no quiet hours.
    """

    begin: time
    end: time

    def covers(self, at: datetime, zone: tzinfo) -> bool:
        """Whether an instant is quiet where the clock shows the time of `zone`."""
        clock = at.astimezone(zone).time().replace(tzinfo=None)
        if self.begin <= self.end:
            return self.begin <= clock < self.end
        return clock >= self.begin or clock < self.end


def send_at(
    due_at: datetime,
    *,
    not_before: datetime,
    useful_until: datetime,
    quiet: QuietHours,
    zone: tzinfo,
) -> datetime | None:
    """Return when a message is sent, in UTC; None when no time outside the quiet hours is still of use.

    What falls into quiet hours moves to the last quarter before them; where that is over (`not_before`, the time
    at which it was asked for), to the first one after them, if the message is of use by then.
    """
    at = max(due_at, not_before).astimezone(UTC)
    if at >= useful_until:
        return None
    if not quiet.covers(at, zone):
        return at
    earlier = next((q for q in _quarters(at, -1) if not quiet.covers(q, zone)), None)
    if earlier is not None and earlier >= not_before:
        return earlier
    later = next((q for q in _quarters(at, 1) if not quiet.covers(q, zone)), None)
    return later if later is not None and later < useful_until else None


def _quarters(at: datetime, step: int) -> Iterator[datetime]:
    """Yield the whole quarters of an hour around an instant, going back or on."""
    whole = at.replace(minute=at.minute - at.minute % 15, second=0, microsecond=0)
    for count in range(1, _DAY_AND_MORE):
        yield whole + step * count * QUARTER
