"""Checks of how readings are written down, against figures from outside."""

from datetime import UTC, datetime, timedelta

import pytest

from studylab.reports.rules.observers import (
    SetSeen,
    at_limit,
    at_once,
    batches,
    delays,
    digits,
    same_sets,
)

NINE = datetime(2026, 2, 2, 9, tzinfo=UTC)


def at(minute: int) -> datetime:
    return NINE + timedelta(minutes=minute)


def entered(person: str, taken: int, recorded: int, first: int = 118) -> SetSeen:
    readings = ((first, 76, 70), (112, 72, 66), (110, 70, 64))
    return SetSeen(person, at(taken), at(recorded), readings, True)


def test_twenty_six_zeros_of_forty_are_no_chance() -> None:
    """The published kind of case: most systolic values end in 0 (J Hum Hypertens 2004)."""
    found = digits([110 + 10 * (n % 3) for n in range(26)] + [111 + n % 9 for n in range(14)])
    assert found is not None
    assert (found.often, found.counts[0], found.number) == (0, 26, 40)
    assert found.chance < 1e-14
    assert found.rare


def test_zeros_of_a_hundred_have_the_exact_chance() -> None:
    """28 zeros of 100, check-values 9: exact binomial 3.481427e-07; ten digits could have been the one."""
    counts = (28, 4, 12, 5, 11, 10, 10, 4, 12, 3)
    found = digits([100 + digit for digit, n in enumerate(counts) for _ in range(n)] + [109])
    assert found is not None
    assert found.chance == pytest.approx(10 * 3.481427e-07, rel=1e-6)


def test_a_device_that_shows_even_figures_is_not_blamed_for_it() -> None:
    """Counts of check-values 9 for an even-only device: nothing stands out among five digits."""
    found = digits([2 * n + 100 for n, times in enumerate((30, 18, 18, 16, 18)) for _ in range(times)])  # fmt: skip
    assert found is not None
    assert found.even_only
    assert not found.rare


def test_little_is_not_judged() -> None:
    assert digits([120] * 19) is None
    assert at_limit("pulse", [60] * 7, 60, passes_above=True) is None


def test_ten_of_eleven_pulses_just_inside_the_limit() -> None:
    """58 or 59 once, 60 or 61 ten times: 12 of 2,048 courses of a fair coin, 0.6 %."""
    found = at_limit("pulse", [60, 61] * 5 + [58, 90, 40], 60, passes_above=True)
    assert found is not None
    assert (found.passing, found.failing) == (10, 1)
    assert found.chance == pytest.approx(12 / 2048)
    assert found.rare
    upper = at_limit("systolic", [138, 139] * 5 + [140, 142], 140, passes_above=False)
    assert upper is not None
    assert (upper.passing, upper.failing, upper.chance) == (10, 1, found.chance)


def test_sets_of_a_day_entered_in_eight_minutes_are_one_batch() -> None:
    day = [entered(code, taken, 470 + 2 * n) for n, (code, taken) in enumerate(zip("ABCD", (0, 120, 240, 360), strict=True))]  # fmt: skip
    assert batches(day) == [tuple(day)]
    assert delays(day) == (4, timedelta(minutes=234))
    timely = [entered("A", 0, 4), entered("B", 120, 124), entered("B", 122, 126)]
    assert batches(timely) == []
    assert delays(timely)[0] == 0


def test_the_same_nine_numbers_of_two_people_are_found() -> None:
    ana, ben, other = entered("A", 0, 5), entered("B", 60, 65), entered("C", 90, 95, first=119)
    assert same_sets([ana, ben, other]) == [(ana, ben)]
    single = SetSeen("D", at(0), at(1), ((118, 76, 70),), True)
    assert same_sets([single, single]) == []


def test_acting_for_two_people_within_a_minute() -> None:
    acts = [(at(0), "A"), (at(0) + timedelta(seconds=59), "B"), (at(5), "B"), (at(6), "A")]
    assert at_once(acts) == [(at(0) + timedelta(seconds=59), "A", "B")]
