"""The teaching curve against worked values.

The row of levels, peak and area are the worked example of this project's pharmacology table (typical set);
areas (288 there for the tablet set is 288.54 cut short) and peaks are also checked against numerical integration, which knows nothing of the formula's roots.
"""

import math

import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from screening.rules.kinetics import (
    SETS,
    TYPICAL,
    Kinetics,
    area,
    half_life,
    hours_until_share,
    level,
    peak_hours,
)

BY_KEY = {one.key: one.kinetics for one in SETS}


@pytest.mark.parametrize(
    ("hours", "expected"),
    [(0, 0), (0.5, 25.66), (1, 34.49), (1.5, 36.31), (2, 35.30), (3, 30.84), (4, 26.14), (6, 18.52),
     (8, 13.10), (12, 6.55), (24, 0.82)],
)  # fmt: skip
def test_the_worked_row(hours: float, expected: float) -> None:
    assert level(TYPICAL.kinetics, hours) == pytest.approx(expected, abs=0.01)


def test_the_worked_steps() -> None:
    typical = TYPICAL.kinetics
    assert typical.loss_per_hour == pytest.approx(0.173287, abs=5e-7)
    assert peak_hours(typical) == pytest.approx(1.495655, abs=5e-7)
    assert level(typical, 1.5) == pytest.approx(36.3146, abs=1e-4)  # its steps are cut at 6 digits
    assert area(typical) == pytest.approx(271.57, abs=0.005)


@pytest.mark.parametrize(
    ("key", "peak_at", "peak", "total"),
    [("typical", 1.50, 36.3, 272), ("label", 1.50, 27.6, 206), ("tablet", 1.26, 49.8, 288.5),
     ("high", 1.50, 61.7, 462), ("slow", 3.40, 27.0, 346)],
)  # fmt: skip
def test_each_set_against_its_table_row_and_against_integration(key, peak_at, peak, total) -> None:
    kinetics = BY_KEY[key]
    assert peak_hours(kinetics) == pytest.approx(peak_at, abs=0.005)
    assert level(kinetics, peak_hours(kinetics)) == pytest.approx(peak, abs=0.05)
    assert area(kinetics) == pytest.approx(total, abs=0.5)
    assert quad(lambda t: level(kinetics, t), 0, 400, limit=400)[0] == pytest.approx(
        area(kinetics), rel=1e-6
    )
    found = minimize_scalar(lambda t: -level(kinetics, t), bounds=(0, 24), method="bounded")
    assert found.x == pytest.approx(peak_hours(kinetics), abs=1e-4)


def test_time_to_a_twentieth_of_the_peak() -> None:
    assert hours_until_share(BY_KEY["typical"], 0.05) == pytest.approx(19.4, abs=0.05)
    assert hours_until_share(BY_KEY["slow"], 0.05) == pytest.approx(31.2, abs=0.05)


def test_uptake_as_fast_as_loss() -> None:
    equal = Kinetics(0.5, 0.5, 850)
    assert level(equal, 2) == pytest.approx(17.312, abs=0.0005)
    assert peak_hours(equal) == 2
    nearly = Kinetics(0.5 + 2e-6, 0.5, 850)  # just outside: the general formula, and no jump
    assert level(nearly, 2) == pytest.approx(level(equal, 2), abs=1e-4)


def test_levels_are_never_below_zero_and_flip_flop_is_told() -> None:
    slow_uptake = Kinetics(0.1, 0.6, 850)
    assert slow_uptake.flip_flop
    assert not TYPICAL.kinetics.flip_flop
    assert level(slow_uptake, -1) == 0
    assert all(level(slow_uptake, hour / 4) >= 0 for hour in range(400))


@pytest.mark.parametrize("wrong", [0, -1, math.nan, math.inf])
def test_parameters_that_no_body_has_are_refused(wrong: float) -> None:
    for place in range(3):
        values = [1.7, half_life(4), 850.0]
        values[place] = wrong
        with pytest.raises(ValueError, match="above zero"):
            Kinetics(*values)
    with pytest.raises(ValueError, match="between 0 and 1"):
        hours_until_share(TYPICAL.kinetics, 1)
