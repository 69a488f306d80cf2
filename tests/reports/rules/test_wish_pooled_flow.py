"""Whose data are not to be used further: out of pooled values without a trace by subtraction, and named in the flow."""

from datetime import UTC, datetime, timedelta

from studylab.reports.rules.flow import Life, flow_of, imbalances
from studylab.reports.rules.pooled import Reading, release

START = datetime(2026, 3, 2, 9, tzinfo=UTC)


def hour(number: float) -> datetime:
    return START + timedelta(hours=number)


def readings(people: int) -> list[Reading]:
    """Each complete at the hour of their number, values all different."""
    return [
        Reading(person, gate, hour(person), hour(person), None, (100.0 + person**2, 70, 60))
        for person in range(1, people + 1)
        for gate in ("before", "after")
    ]  # type: ignore[misc]


def test_until_the_next_step_nothing_is_shown_then_without_the_person() -> None:
    unused = {3: [(hour(6.5), True)]}
    assert release(readings(6), first=6, step=3) is not None
    assert release(readings(6), first=6, step=3, unused=unused) is None
    assert release(readings(8), first=6, step=3, unused=unused) is None
    shown = release(readings(9), first=6, step=3, unused=unused)
    assert shown is not None
    assert shown.people == (1, 2, 4, 5, 6, 7, 8, 9)
    without = [one for one in readings(9) if one.person != 3]
    assert shown.lines == release(without, first=8, step=1).lines  # type: ignore[union-attr]


def test_a_wish_taken_back_waits_for_the_next_step_too() -> None:
    back = {3: [(hour(6.5), True), (hour(9.5), False)]}
    assert release(readings(9), first=6, step=3, unused=back) is None
    again = release(readings(12), first=6, step=3, unused=back)
    assert again is not None
    assert len(again.people) == 12
    assert release(readings(6), first=6, step=3, unused={3: [(hour(1), True)]}) is None  # too few


def test_the_flow_names_them_and_its_sums_hold() -> None:
    lives = [
        Life("withdrawn", True, True, True, unused=True),
        Life("withdrawn", True, True, True),
        Life("withdrawn", True, True, False, unused=True),
        Life("completed", True, True, True),
    ]
    flow = flow_of(lives, pooled="both")
    assert imbalances(flow) == ()
    assert flow.arms[0].discontinued == (
        ("withdrew after the dose", 1),
        ("withdrew after the dose, data not to be used further", 1),
    )
