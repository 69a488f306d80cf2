"""Sets of readings: the worked vectors of the protocol's measuring rules, and properties.

V1 to V9 are the vectors this project proposes to the supervising physician, worked by hand from "mean of
readings 2 and 3" (ESH 2021, ESC 2024, read in secondary sources) and Freeman 2011 for standing.
"""

import itertools
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from screening.rules.orthostatic import Pressure, orthostatic
from screening.rules.vitals import (
    Reading,
    Undecided,
    VitalDecision,
    decide,
    mean_arterial_pressure,
    plausibility,
    shown,
)
from studylab.studies.rules.protocol import Measuring

START = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
MEASURING = Measuring()


def readings(*values: tuple[float, float, float], gap: float = 60) -> list[Reading]:
    return [
        Reading(*value, at=START + timedelta(seconds=gap * number))
        for number, value in enumerate(values)
    ]


def judge(taken: list[Reading], rest: int | None = 300) -> VitalDecision | Undecided:
    return decide(taken, rest_seconds=rest, measuring=MEASURING)


def codes_of(result: VitalDecision | Undecided) -> set[tuple[str, str]]:
    assert isinstance(result, Undecided)
    return {(problem.code, problem.field) for problem in result.problems}


FIRST = (118, 76, 70)


@pytest.mark.parametrize(
    ("second", "third", "expected"),
    [
        ((112, 72, 66), (110, 70, 64), (111, 71, 65)),  # V1
        ((99, 62, 61), (99, 64, 63), (99, 63, 62)),  # V2
        ((89, 60, 62), (90, 60, 62), (89.5, 60, 62)),  # V3: not rounded up to 90
        ((110, 70, 59), (110, 70, 60), (110, 70, 59.5)),  # V4
        # First reading dropped: US survey practice of analysing the 2nd and 3rd reading.
        ((122, 78, 60), (120, 76, 60), (121, 77, 60)),
        ((141, 89, 60), (140, 90, 60), (140.5, 89.5, 60)),
        ((120, 70, 60), (130, 70, 60), (125, 70, 60)),  # differ by exactly 10: no fourth
    ],
)
def test_decision_is_the_unrounded_mean_of_two_and_three(second, third, expected) -> None:
    assert judge(readings(FIRST, second, third)) == VitalDecision(*expected, used=(2, 3))


def test_v5_a_fourth_reading_is_asked_for_and_then_used() -> None:
    three = readings(FIRST, (120, 70, 60), (132, 72, 62))
    waiting = judge(three)
    assert codes_of(waiting) == {("fourth_required", "readings")}
    assert isinstance(waiting, Undecided)
    assert waiting.fourth_required
    four = readings(FIRST, (120, 70, 60), (132, 72, 62), (128, 75, 63))
    assert judge(four) == VitalDecision(130, 73.5, 62.5, used=(3, 4))


def test_a_fourth_reading_that_nobody_asked_for_does_not_count() -> None:
    four = readings(FIRST, (112, 72, 66), (110, 70, 64), (140, 90, 90))
    assert judge(four) == VitalDecision(111, 71, 65, used=(2, 3))


@pytest.mark.parametrize(
    ("gap", "code"),
    [(45, "gap_short"), (59, "gap_short"), (121, "gap_long"), (0, "gap_short"), (-60, "gap_short")],
)
def test_v9_gaps_outside_the_window_decide_nothing(gap: float, code: str) -> None:
    taken = readings(FIRST, (112, 72, 66), (110, 70, 64), gap=gap)
    assert codes_of(judge(taken)) == {(code, "reading_2.at"), (code, "reading_3.at")}


@pytest.mark.parametrize("gap", [60, 120])
def test_gap_edges_are_inside(gap: float) -> None:
    assert isinstance(judge(readings(FIRST, FIRST, FIRST, gap=gap)), VitalDecision)


def test_gap_is_elapsed_time_across_the_clock_change() -> None:
    zone = ZoneInfo("Europe/Amsterdam")
    before = datetime(2026, 10, 25, 2, 59, 30, tzinfo=zone)  # first 02:59:30, summer time
    after = datetime(2026, 10, 25, 2, 0, 30, tzinfo=zone, fold=1)  # 60 s later, winter time
    last = datetime(2026, 10, 25, 2, 1, 30, tzinfo=zone, fold=1)
    taken = [Reading(110, 70, 60, at) for at in (before, after, last)]
    assert isinstance(judge(taken), VitalDecision)


@pytest.mark.parametrize(
    ("rest", "code"), [(None, "rest_unknown"), (299, "rest_short"), (0, "rest_short")]
)
def test_rest_is_needed(rest: int | None, code: str) -> None:
    assert codes_of(judge(readings(FIRST, FIRST, FIRST), rest)) == {(code, "rest_seconds")}


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_decide_nothing(count: int) -> None:
    assert codes_of(judge(readings(*[FIRST] * count))) == {("too_few", "readings")}


def test_five_readings_are_not_a_set() -> None:
    assert codes_of(judge(readings(*[FIRST] * 5))) == {("too_many", "readings")}


def test_missing_values_and_times_are_named() -> None:
    taken = [
        Reading(None, 76, 70, START),
        Reading(112, 72, None, START + timedelta(seconds=60)),
        Reading(110, 70, 64, None),
    ]
    assert codes_of(judge(taken)) == {
        ("missing", "reading_1.systolic"),
        ("missing", "reading_2.pulse"),
        ("time_unknown", "reading_3.at"),
    }
    naive = [Reading(110, 70, 60, datetime(2026, 3, 3, 9, minute)) for minute in range(3)]
    assert ("time_unknown", "reading_1.at") in codes_of(judge(naive))


@pytest.mark.parametrize(
    ("value", "fields"),
    [
        ((60, 30, 30), set()),
        ((260, 160, 220), set()),
        ((59, 40, 60), {"systolic"}),
        ((261, 90, 60), {"systolic"}),
        ((100, 29, 60), {"diastolic"}),
        ((200, 161, 60), {"diastolic"}),
        ((110, 70, 29), {"pulse"}),
        ((110, 70, 221), {"pulse"}),
        ((100, 90, 60), {"diastolic"}),  # must be below systolic - 10
        ((100, 89, 60), set()),
        ((70, 110, 60), {"diastolic"}),
        ((float("nan"), 70, 60), {"systolic"}),
        ((110, float("inf"), 60), {"diastolic"}),
        ((None, None, None), {"systolic", "diastolic", "pulse"}),
        ((11, 7, 6), {"systolic", "diastolic", "pulse"}),
    ],
)
def test_plausibility_names_the_field(value, fields) -> None:
    assert {problem.field for problem in plausibility(*value)} == fields


def test_an_impossible_first_reading_spoils_the_set() -> None:
    taken = readings((300, 76, 70), (112, 72, 66), (110, 70, 64))
    assert codes_of(judge(taken)) == {("implausible", "reading_1.systolic")}


plausible = st.tuples(st.integers(90, 200), st.integers(40, 79), st.integers(40, 120))


@given(st.lists(plausible, min_size=3, max_size=4), st.floats(60, 120))
def test_decision_lies_between_the_two_readings_used(values, gap) -> None:
    taken = readings(*values, gap=round(gap))
    result = judge(taken)
    differs = abs(values[1][0] - values[2][0]) > 10
    if differs and len(values) == 3:
        assert codes_of(result) == {("fourth_required", "readings")}
        return
    assert isinstance(result, VitalDecision)
    assert result.used == ((3, 4) if differs else (2, 3))
    one, two = (taken[number - 1] for number in result.used)
    for measure in ("systolic", "diastolic", "pulse"):
        low, high = sorted([getattr(one, measure), getattr(two, measure)])
        assert low <= getattr(result, measure) <= high
        assert getattr(result, measure) * 2 == low + high


@given(st.lists(plausible, min_size=3, max_size=3), plausible)
def test_the_first_reading_never_moves_the_decision(values, other) -> None:
    assume(abs(values[1][0] - values[2][0]) <= 10)
    assert judge(readings(*values)) == judge(readings(other, *values[1:]))


@given(
    st.lists(
        st.builds(
            Reading,
            *[st.none() | st.integers(-10, 400) | st.floats()] * 3,
            at=st.none() | st.datetimes(timezones=st.none() | st.just(UTC)),
        ),
        max_size=6,
    ),
    st.none() | st.integers(-10, 600),
)
def test_whatever_is_entered_a_decision_needs_everything(taken, rest) -> None:
    result = judge(taken, rest)
    if isinstance(result, VitalDecision):
        assert rest is not None
        assert rest >= 300
        assert len(taken) in {3, 4}
        for before, after in itertools.pairwise(taken):
            assert 60 <= (after.at - before.at).total_seconds() <= 120
    else:
        assert result.problems


@pytest.mark.parametrize(
    ("systolic", "diastolic", "expected"),
    [
        (121, 77, 91.66666666666667),
        (108, 56, 73.33333333333333),  # printed as 73 in a Dutch example of an exchange standard
        (140.5, 89.5, 106.5),
    ],
)
def test_mean_arterial_pressure(systolic: float, diastolic: float, expected: float) -> None:
    assert mean_arterial_pressure(systolic, diastolic) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (89.5, "89.5"),
        (90, "90"),
        (120.25, "120.3"),
        (120.35, "120.4"),
        (100.0, "100"),
        (-3.5, "-3.5"),
    ],
)
def test_shown_keeps_the_half(value: float, text: str) -> None:
    assert shown(value) == text


LYING = Pressure(118, 74)


def test_v6_passes_with_its_falls() -> None:
    result = orthostatic(LYING, Pressure(99, 70), Pressure(110, 72), False)
    assert result.outcome == "pass"
    assert result.falls == ((1, 19, 4), (3, 8, 2))


@pytest.mark.parametrize(
    ("lying", "one", "three", "symptoms"),
    [
        (
            LYING,
            None,
            Pressure(98, 70),
            False,
        ),  # V7: fall of 20, though the 1-minute value is missing
        (Pressure(104, 70), None, Pressure(89, 66), False),  # V8: fall 15, but standing below 90
        (LYING, Pressure(98, 70), Pressure(117, 74), False),
        (LYING, Pressure(117, 64), Pressure(117, 74), False),
        (LYING, Pressure(117, 74), Pressure(117, 74), True),
        (None, None, Pressure(89, 60), None),
    ],
)
def test_standing_test_fails(lying, one, three, symptoms) -> None:
    result = orthostatic(lying, one, three, symptoms)
    assert result.outcome == "fail"
    assert result.reasons


@pytest.mark.parametrize("left_out", range(4))
def test_standing_test_needs_every_value_to_pass(left_out: int) -> None:
    values = [LYING, Pressure(117, 74), Pressure(117, 74), False]
    values[left_out] = None
    result = orthostatic(*values)
    assert result.outcome == "undecided"
    assert len(result.reasons) == 1


def test_standing_test_does_not_believe_impossible_values() -> None:
    assert orthostatic(LYING, Pressure(30, 20), Pressure(117, 74), False).outcome == "undecided"


@pytest.mark.parametrize(
    ("standing", "outcome"),
    [
        (Pressure(103, 74), "repeat_supine"),
        (Pressure(104, 74), "pass"),
        (Pressure(118, 67), "repeat_supine"),
        (Pressure(98, 74), "fail"),
    ],
)
def test_from_a_chair_smaller_falls_ask_for_a_repeat(standing: Pressure, outcome: str) -> None:
    result = orthostatic(LYING, standing, LYING, False, start="seated")
    assert result.outcome == outcome
