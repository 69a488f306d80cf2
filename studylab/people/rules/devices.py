"""Devices as rules: the cookie's secret, when a tablet locks, how wrong its clock is. Pure: time is an argument."""

import hmac
from datetime import datetime, timedelta
from hashlib import sha256

SECRET_BYTES = 24
# Proposals: long enough to look up from a task, short enough for a tablet that is left on a table.
LOCK_MINUTES_MIN, LOCK_MINUTES_MAX, LOCK_MINUTES_PROPOSED = 1, 30, 5
# Known-traps D14 proposes two minutes as the most that a device's clock may be off without a word.
CLOCK_TOLERATED = timedelta(minutes=2)


def secret_digest(secret: str, key: bytes) -> str:
    """Return what is stored of a device's secret: HMAC-SHA-256 in 64 hexadecimal characters."""
    return hmac.new(key, b"device\n" + secret.encode(), sha256).hexdigest()


def is_locked(
    *, active_at: datetime, locked_at: datetime | None, lock_minutes: int, now: datetime
) -> bool:
    """Whether a sign-in on a device is locked: by a press, or since nobody did anything for so long."""
    return locked_at is not None or now - active_at >= timedelta(minutes=lock_minutes)


def lock_moment(active_at: datetime, locked_at: datetime | None, lock_minutes: int) -> datetime:
    """Return when the sign-in locks, or locked."""
    by_itself = active_at + timedelta(minutes=lock_minutes)
    return by_itself if locked_at is None else min(locked_at, by_itself)


def clock_words(offset_ms: int) -> str:
    """Say how wrong a clock is, for example "7 min fast" or "right"; seconds only below two minutes."""
    seconds = round(abs(offset_ms) / 1000)
    if seconds < 2:
        return "right"
    size = f"{seconds} s" if seconds < 120 else f"{round(seconds / 60)} min"
    return f"{size} {'fast' if offset_ms > 0 else 'slow'}"


CLOCK_NOTED_EVERY = timedelta(days=1)
CLOCK_MOVED = timedelta(seconds=5)  # more than a slow network adds to a comparison (house value)


def clock_to_note(*, last_at: datetime | None, last_ms: int, now: datetime, offset_ms: int) -> bool:
    """Whether a comparison is kept: the first one, one a day, and whenever the clock was set or has drifted."""
    if last_at is None or now - last_at >= CLOCK_NOTED_EVERY:
        return True
    return timedelta(milliseconds=abs(offset_ms - last_ms)) > CLOCK_MOVED


def clock_is_wrong(offset_ms: int) -> bool:
    """Whether a device's clock is off by more than is tolerated without a word."""
    return timedelta(milliseconds=abs(offset_ms)) > CLOCK_TOLERATED
