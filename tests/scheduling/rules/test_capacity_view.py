"""Weeks and bottlenecks of hand-provable days."""

from datetime import UTC, date, datetime, timedelta
from functools import partial

import pytest

from scheduling.rules import capacity_view as capacity_view_module
from scheduling.rules.capacity_view import Limit, capacity_view
from scheduling.rules.clock_change import went_forward
from scheduling.rules.timeline import Grid, PlaceIntervals
from tests.scheduling.rules.schedule_examples import protocol, spacing, visit

DAY, HOUR = timedelta(days=1), timedelta(hours=1)


def test_the_kind_that_is_short_is_the_bottleneck(monkeypatch: pytest.MonkeyPatch) -> None:
    """One-hour visits on three days in a row; the one room is open two hours a day over five days, cover all day.

    A series takes an hour on each of three days. Days 1 to 5 hold 10 room hours, each series covers day 3: two
    fit, whatever else. With one more room four fit; more cover changes nothing. Ten hours are three times three.
    """
    plan = protocol(
        tuple(visit(n, ("part", 60, {"lab": 1, "cover": 1}), dose="part" if n == 2 else "") for n in (1, 2, 3)),
        (spacing("visit1.start", "visit2.start", 20, 24, 28), spacing("visit2.start", "visit3.start", 20, 24, 28)),
        timezone="UTC",
    )  # fmt: skip
    monday = datetime(2026, 11, 23, tzinfo=UTC)
    days = [monday + n * DAY for n in range(5)]
    places = {
        "lab": [PlaceIntervals("room", tuple((d + 9 * HOUR, d + 11 * HOUR) for d in days))],
        "cover": [
            PlaceIntervals(name, tuple((d + 8 * HOUR, d + 18 * HOUR) for d in days))
            for name in ("one", "two", "three", "four")
        ],
    }
    count = partial(
        capacity_view,
        plan=plan, grid=Grid.covering(monday, monday + 7 * DAY), zone="UTC", places=places,
        booked=[monday + 9 * HOUR], now=monday, first=date(2026, 11, 23), last=date(2026, 11, 29),
    )  # fmt: skip
    found = count()
    assert [(row.monday, row.booked, row.free) for row in found.weeks] == [(date(2026, 11, 23), 1, 2)]  # fmt: skip
    assert [(row.kind, row.places, row.more) for row in found.kinds] == [("lab", 1, 2), ("cover", 4, 0)]  # fmt: skip
    assert found.limit == Limit("lab", 3)
    assert not found.stopped
    monkeypatch.setattr(capacity_view_module, "MOST", 1)
    short = count()
    assert (short.free, short.stopped, short.kinds) == (1, True, ())


# Clocks went forward in Halifax on 14 March 2027 at 02:00 local time, 06:00 UTC (IANA time zone database).
@pytest.mark.parametrize(
    ("local", "flagged"),
    [
        (datetime(2027, 3, 13, 14, tzinfo=UTC), False),
        (datetime(2027, 3, 14, 13, tzinfo=UTC), True),
        (datetime(2027, 3, 21, 5, tzinfo=UTC), True),
        (datetime(2027, 3, 21, 7, tzinfo=UTC), False),
        (datetime(2026, 11, 2, 14, tzinfo=UTC), False),  # the clocks went back
    ],
)
def test_the_week_after_the_clocks_went_forward(local: datetime, flagged: bool) -> None:
    found = went_forward(local, "America/Halifax")
    assert (found is not None) is flagged
    if found:
        assert found == datetime(2027, 3, 14, 6, tzinfo=UTC)
