"""When the stock is to be counted again. Pure: the day is an argument."""

from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True, slots=True)
class CountDue:
    """By which local day a batch is counted, counted from its last count or its receipt; `late` once that is past."""

    by: date
    late: bool


SOON = timedelta(days=3)


def count_due(
    *, received: date, counted: date | None, every_days: int, today: date
) -> CountDue | None:
    """Return when a batch is to be counted, from three days ahead; None while that is further away.

    The last day itself is not late. A count on the day of receipt counts like any other.
    """
    by = max(received, counted or received) + timedelta(days=every_days)
    if today < by - SOON:
        return None
    return CountDue(by, today > by)
