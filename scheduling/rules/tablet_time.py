"""When something happened that a tablet noted while it had no network.

The tablet tells two times of its own: when the act happened and when it was sent. What lies between them is elapsed
time and right on any clock that nobody changed meanwhile; the difference of the sending from the server's time is how
wrong that clock is. So the act happened as long before its arrival as the tablet says, by the server's clock.

That holds only if the clock was not changed in between. The tablet therefore compares itself with the server whenever
it has network, and tells the last difference it found before the act. Without one, or when it does not fit the one at
the sending, the time is uncertain: it is kept as well as it can be known, and everybody is told.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduling.rules.elapsed import elapsed, to_utc

# Two comparisons over a weak network differ by seconds; a clock that was set differs by more (house value).
TOLERANCE = timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class TabletTime:
    """An act's own times beside the server's. `offset` is server time minus tablet time, as measured.

    `happened_at` is UTC by the server's clock and never later than the arrival.
    """

    device_at: datetime
    sent_at: datetime
    offset: timedelta
    uncertain: bool
    happened_at: datetime


def tablet_time(
    *,
    device_at: datetime,
    sent_at: datetime,
    received_at: datetime,
    compared: timedelta | None,
    not_before: datetime,
) -> TabletTime:
    """Return when an act happened by the server's clock, and whether that is certain.

    `compared` is the difference (server minus tablet) at the last comparison before the act, None without one.
    An uncertain time is moved into what is possible: not before `not_before`, when the visit began, and not after
    `received_at`. A certain one never is: that it does not fit is for a person to look at.
    """
    at_sending = elapsed(sent_at, received_at)
    known = compared is not None and abs(compared - at_sending) <= TOLERANCE
    # The comparison halves the way there and back, the sending cannot: where both agree the comparison is better.
    offset = compared if known and compared is not None else at_sending
    uncertain = not known or device_at > sent_at
    happened = min(to_utc(device_at, "device_at") + offset, received_at)
    if uncertain:
        happened = min(max(happened, not_before), received_at)
    return TabletTime(device_at, sent_at, offset, uncertain, happened)


def file_time(
    *,
    device_at: datetime,
    received_at: datetime,
    compared: timedelta | None,
    not_before: datetime,
) -> TabletTime:
    """Return when an act happened that came in a file, long after the tablet's last word with the server.

    Only the last comparison before the act tells how wrong its clock was, and nobody can say whether that held on. So
    the time is always uncertain, and moved into what is possible.
    """
    offset = compared or timedelta(0)
    happened = min(max(to_utc(device_at, "device_at") + offset, not_before), received_at)
    return TabletTime(device_at, device_at, offset, True, happened)
