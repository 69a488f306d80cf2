"""Visits in the week after the clocks went forward, when more people miss them.

Five per cent more missed appointments in the week after the spring change: Chronobiology International
2018;35:584, over two million appointments in Scotland.
"""

from datetime import datetime, timedelta

from scheduling.rules.elapsed import Zone, change_between, load_zone, to_utc

WEEK = timedelta(days=7)


def went_forward(at: datetime, zone: Zone) -> datetime | None:
    """Return when the clocks went forward within the week before an instant, in UTC; None when they did not."""
    change = changed_before(at, zone, WEEK)
    if change is None:
        return None
    tz = load_zone(zone)
    before, after = ((to_utc(at) - back).astimezone(tz).utcoffset() for back in (WEEK, timedelta()))
    assert before is not None
    assert after is not None
    return change if after > before else None


def changed_before(at: datetime, zone: Zone, within: timedelta) -> datetime | None:
    """Return when the clocks changed, either way, within a time before an instant, in UTC; None when they did not."""
    tz, end = load_zone(zone), to_utc(at)
    start = end - within
    if start.astimezone(tz).utcoffset() == end.astimezone(tz).utcoffset():
        return None
    return change_between(start, end, tz)
