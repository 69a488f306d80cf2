"""When a message is tried again, and when it is given up."""

from datetime import datetime, timedelta

FIRST, LONGEST = timedelta(minutes=1), timedelta(hours=1)
MOST = 24  # attempts; with the delays below they reach over about 19 hours


def delay_after(attempts: int) -> timedelta:
    """Return how long to wait after so many attempts (from 1): doubled each time, an hour at the most."""
    return min(FIRST * 2 ** min(attempts - 1, 10), LONGEST)


def next_try(attempts: int, now: datetime, useful_until: datetime) -> datetime | None:
    """Return when to try again; None when the tries are used up or it would be of no use any more by then."""
    at = now + delay_after(attempts)
    return at if attempts < MOST and at < useful_until else None
