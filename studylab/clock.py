"""The one clock. Services ask it; rules never do.

Demonstrations and tests may set it: `travel` for a block of code, STUDYLAB_TODAY for a whole process.
Neither exists in production, where server time rules.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta

from django.conf import settings

_set: ContextVar[datetime | None] = ContextVar("studylab_clock", default=None)


def now() -> datetime:
    """Return the present instant in UTC."""
    fixed = _set.get()
    if fixed is not None:
        return fixed
    offset: timedelta = settings.CLOCK_OFFSET
    return datetime.now(UTC) + offset


@contextmanager
def travel(to: datetime) -> Iterator[None]:
    """Make `now()` return `to` inside the block. Refused in production."""
    if settings.ENVIRONMENT == "production":
        raise RuntimeError("The clock cannot be set in production.")
    if to.tzinfo is None:
        raise ValueError("The clock needs an instant with a time zone.")
    token = _set.set(to.astimezone(UTC))
    try:
        yield
    finally:
        _set.reset(token)
