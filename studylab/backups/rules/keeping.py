"""When a backup is due, and which files may go. Pure."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

RETRY = timedelta(hours=1)  # after one that failed or was stopped
_EARLY = timedelta(hours=1)  # a daily trial is not put off by the minutes that a backup takes


def is_due(
    last_good: datetime | None, last_vain: datetime | None, every: timedelta, at: datetime
) -> bool:
    """Whether a backup is due: the last good one is so old, and none failed within the hour."""
    if last_vain is not None and at - last_vain < RETRY:
        return False
    return last_good is None or at - last_good >= every


def trial_is_due(last_trial: datetime | None, every: timedelta, at: datetime) -> bool:
    """Whether the coming backup is to be restored for a trial; `every` of nothing: each one is."""
    return last_trial is None or at - last_trial >= every - _EARLY


def may_go(names: Sequence[str], keep: int, tried: Collection[str]) -> list[str]:
    """Return which files may go: all but the newest `keep`, and never the newest one that was restored for a trial.

    Names begin alike and go on with the time, so the order of names is that of time.
    """
    ranked = sorted(names, reverse=True)
    sure = next((name for name in ranked if name in tried), None)
    return [name for name in ranked[keep:] if name != sure]
