"""When a batch is to be counted: from its last count or its receipt, both edges looked at."""

from datetime import date, timedelta

import pytest

from studylab.allocation.rules.counting import CountDue, count_due

CAME = date(2026, 3, 1)


@pytest.mark.parametrize(
    ("day", "late"),
    [(26, None), (27, False), (30, False), (31, True), (400, True)],
)
def test_due_from_three_days_ahead_and_late_the_day_after(day: int, late: bool | None) -> None:
    due = count_due(received=CAME, counted=None, every_days=30, today=CAME + timedelta(days=day))
    assert due == (None if late is None else CountDue(CAME + timedelta(days=30), late))


def test_a_count_begins_the_time_anew_and_one_before_the_receipt_does_not_shorten_it() -> None:
    def by(counted: date) -> date | None:
        due = count_due(received=CAME, counted=counted, every_days=7, today=date(2026, 5, 1))
        return due and due.by

    assert by(date(2026, 3, 20)) == date(2026, 3, 27)
    assert by(date(2026, 2, 1)) == date(2026, 3, 8)
