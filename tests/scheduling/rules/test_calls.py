"""Calls after leaving against advice, and which sensor sets are clean: times worked out by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from scheduling.rules.calls import call_times, next_call
from scheduling.rules.presence import stay_of
from scheduling.rules.things import LastUse, thing_at

DOSED = datetime(2026, 11, 24, 14, 0, tzinfo=UTC)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def test_calls_until_24_hours_after_the_dose() -> None:
    left = DOSED + 70 * MINUTE
    after = [at - DOSED for at in call_times(left, DOSED)]
    assert after == [70 * MINUTE + n * HOUR for n in (1, 2, 4, 8, 12)] + [24 * HOUR]
    # Who leaves late is called at least once, at 24 hours.
    assert call_times(DOSED + 23.5 * HOUR, DOSED) == (DOSED + 24 * HOUR,)


@pytest.mark.parametrize(
    ("reached", "minutes", "number", "state"),
    [
        ([], 0, 1, "later"),
        ([], 44, 1, "later"),
        ([], 45, 1, "due"),
        ([], 90, 1, "due"),
        ([], 91, 1, "overdue"),
        ([44], 60, 1, "due"),  # reached too early: it does not count
        ([45], 60, 2, "later"),
        (
            [110],
            111,
            3,
            "later",
        ),  # a late one makes up for the first, and is in time for the second
        ([12 * 60], 13 * 60, 6, "later"),
    ],
)
def test_which_call_is_next(reached: list[int], minutes: int, number: int, state: str) -> None:
    left = DOSED + HOUR
    found = next_call(left, DOSED, [left + n * MINUTE for n in reached], left + minutes * MINUTE)
    assert found is not None
    assert (found.number, found.state) == (number, state)


def test_after_the_last_call_there_is_none() -> None:
    left = DOSED + HOUR
    assert next_call(left, DOSED, [DOSED + 24 * HOUR], DOSED + 25 * HOUR) is None


def test_a_set_is_clean_again_when_it_has_dried() -> None:
    drying, use = 3 * HOUR, LastUse("HB-001", DOSED, DOSED + HOUR)
    assert thing_at("A", None, drying, DOSED).state == "clean"
    assert thing_at("A", use, drying, DOSED + 30 * MINUTE).state == "in use"
    wet = thing_at("A", use, drying, DOSED + 4 * HOUR - MINUTE)
    assert (wet.state, wet.until) == ("drying", DOSED + 4 * HOUR)
    assert thing_at("A", use, drying, DOSED + 4 * HOUR).state == "clean"
    never_back = LastUse("HB-001", DOSED, None)
    assert thing_at("A", never_back, drying, DOSED + 30 * HOUR).state == "in use"


def test_somebody_with_a_dosed_volunteer_gives_a_sign_every_quarter_of_an_hour() -> None:
    def at(minutes: int, *, watched: bool = True) -> bool:
        return stay_of(
            name="E1", since=DOSED, last_sign=DOSED, watched=watched, at=DOSED + minutes * MINUTE
        ).missed

    assert [at(15), at(16), at(300, watched=False)] == [False, True, False]
    assert stay_of(name="", since=None, last_sign=None, watched=True, at=DOSED).missed
