"""The check after the wait and fit-to-leave.

V10 to V12 are the vectors this project proposes to the supervising physician; the limits used here are the
same proposals.
"""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from screening.rules.after_dose import (
    NEXT_STEPS,
    RED_FLAGS,
    LeaveResult,
    hours_and_minutes,
    judge_leave,
    judge_post_dose,
)
from screening.rules.bands import PersonalLimits
from screening.rules.vitals import Undecided, VitalDecision, VitalProblem
from studylab.studies.rules.protocol import LeaveLimits, PostDoseLimits

POST = PostDoseLimits(
    pulse_pass_from=50,
    pulse_pause_from=45,
    systolic_pass_from=90,
    systolic_pause_from=85,
    diastolic_pass_from=50,
    systolic_fall=25,
    pulse_fall=20,
)
LEAVE = LeaveLimits(
    pulse_from=50,
    systolic_from=95,
    systolic_within_of_screening=15,
    earliest_minutes=240,
    not_fit_after_minutes=480,
)
NONE: frozenset[str] = frozenset()
UNDECIDED = Undecided((VitalProblem("too_few", "readings", "2 of 3 readings are taken."),))


def vitals(systolic: float = 110, diastolic: float = 70, pulse: float = 60) -> VitalDecision:
    return VitalDecision(systolic, diastolic, pulse, used=(2, 3))


def post(decision, before=None, symptoms=NONE):
    result = judge_post_dose(decision, before or decision, symptoms, POST)
    return result.outcome, {reason.code for reason in result.reasons}


def test_v10_pulse_49_pauses() -> None:
    assert post(vitals(101, 65, 49), vitals(111, 71, 65)) == ("pause", {"pulse_low"})
    assert "5 minutes" in NEXT_STEPS["pause"]
    assert "physician" in NEXT_STEPS["pause"]


def test_v11_wheeze_is_an_emergency_though_values_pass() -> None:
    outcome, codes = post(vitals(92, 60, 52), vitals(105, 65, 62), frozenset({"wheeze"}))
    assert outcome == "emergency"
    assert codes == {"red_flag"}


@pytest.mark.parametrize(
    ("decision", "before", "expected"),
    [
        (vitals(90, 50, 50), vitals(90, 50, 50), ("pass", set())),
        (vitals(89.5, 60, 60), vitals(100, 60, 60), ("pause", {"systolic_low"})),
        (vitals(85, 60, 60), vitals(100, 60, 60), ("pause", {"systolic_low"})),
        (vitals(84.5, 60, 60), vitals(100, 60, 60), ("emergency", {"systolic_low"})),
        (vitals(100, 49.5, 60), vitals(100, 60, 60), ("pause", {"diastolic_low"})),
        (vitals(100, 60, 49.5), vitals(100, 60, 60), ("pause", {"pulse_low"})),
        (vitals(100, 60, 45), vitals(100, 60, 60), ("pause", {"pulse_low"})),
        (vitals(100, 60, 44.5), vitals(100, 60, 60), ("emergency", {"pulse_low"})),
        (vitals(100, 60, 60), vitals(125, 60, 80), ("pass", set())),  # falls of exactly 25 and 20
        (vitals(100, 60, 60), vitals(125.5, 60, 80), ("pause", {"systolic_fall"})),
        (vitals(100, 60, 60), vitals(125, 60, 80.5), ("pause", {"pulse_fall"})),
        # LeWinter 1975: 68 to 56/min and 125 to 114 mmHg on oral propranolol, an expected effect.
        (vitals(114, 70, 56), vitals(125, 75, 68), ("pass", set())),
    ],
)
def test_post_dose_bands(decision, before, expected) -> None:
    assert post(decision, before) == expected


@pytest.mark.parametrize("flag", sorted(RED_FLAGS))
@pytest.mark.parametrize("decision", [None, UNDECIDED, vitals()])
def test_any_red_flag_is_an_emergency_with_or_without_readings(flag: str, decision) -> None:
    result = judge_post_dose(decision, None, frozenset({flag, "headache"}), POST)
    assert result.outcome == "emergency"
    assert RED_FLAGS[flag] in result.reasons[0].text


def test_any_other_symptom_pauses() -> None:
    assert post(vitals(), symptoms=frozenset({"dizziness"})) == ("pause", {"symptoms"})
    assert post(vitals(), symptoms=frozenset({"itching"})) == ("pause", {"symptoms"})


@pytest.mark.parametrize(
    ("decision", "before", "symptoms"),
    [
        (None, vitals(), NONE),
        (UNDECIDED, vitals(), NONE),
        (vitals(), None, NONE),
        (vitals(), vitals(), None),
    ],
)
def test_missing_is_never_a_pass(decision, before, symptoms) -> None:
    result = judge_post_dose(decision, before, symptoms, POST)
    assert result.outcome == "undecided"
    assert result.next_step == NEXT_STEPS["undecided"]


def test_a_low_value_counts_even_when_something_is_missing() -> None:
    assert judge_post_dose(vitals(pulse=44), None, None, POST).outcome == "emergency"


values = st.builds(
    vitals,
    st.integers(120, 260).map(lambda n: n / 2),
    st.integers(60, 180).map(lambda n: n / 2),
    st.integers(70, 220).map(lambda n: n / 2),
)


@given(values, values)
def test_post_dose_agrees_with_one_sentence(after: VitalDecision, before: VitalDecision) -> None:
    if after.pulse < 45 or after.systolic < 85:
        wanted = "emergency"
    elif (
        after.pulse >= 50
        and after.systolic >= 90
        and after.diastolic >= 50
        and before.systolic - after.systolic <= 25
        and before.pulse - after.pulse <= 20
    ):
        wanted = "pass"
    else:
        wanted = "pause"
    assert judge_post_dose(after, before, NONE, POST).outcome == wanted


def leave(
    decision=vitals(),  # noqa: B008 - frozen
    screening=vitals(),  # noqa: B008 - frozen
    minutes=240,
    symptoms=NONE,
    ate=True,
    standing=True,
) -> LeaveResult:
    return judge_leave(
        decision, screening, minutes, symptoms, ate, standing, LEAVE, floor_systolic=90
    )


def reasons_of(result: LeaveResult) -> set[str]:
    assert result.fit == (not result.reasons)
    return {reason.code for reason in result.reasons}


@pytest.mark.parametrize(
    ("own", "systolic", "codes"),
    [
        (None, 92, {"systolic_low"}),
        (PersonalLimits(systolic_from=92), 92, set()),  # signed at screening, above the floor of 90
        (PersonalLimits(systolic_from=92), 91.5, {"systolic_low"}),
        (
            PersonalLimits(systolic_from=98, pulse_from=55),
            95,
            set(),
        ),  # a higher one changes nothing
    ],
)
def test_a_signed_personal_limit_counts_when_leaving(own, systolic, codes) -> None:
    result = judge_leave(
        vitals(systolic, pulse=50), vitals(130), 240, NONE, True, True, LEAVE, floor_systolic=90,
        personal=own,
    )  # fmt: skip
    assert reasons_of(result) == codes


def test_v12_ten_minutes_too_early() -> None:
    result = leave(minutes=230)
    assert reasons_of(result) == {"too_early"}
    assert result.earliest == timedelta(hours=4)
    assert "3 h 50 min" in result.reasons[0].text
    assert "4 h 00 min" in result.reasons[0].text
    assert leave(minutes=239.99).fit is False
    assert leave(minutes=240).fit is True


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"decision": None}, "vitals_undecided"),
        ({"decision": UNDECIDED}, "vitals_undecided"),
        ({"decision": vitals(pulse=49.5)}, "pulse_low"),
        ({"decision": vitals(systolic=94.5)}, "systolic_low"),
        ({"minutes": None}, "time_unknown"),
        ({"symptoms": None}, "symptoms_unasked"),
        ({"symptoms": frozenset({"dizziness"})}, "symptoms"),
        ({"ate": None}, "not_eaten"),
        ({"ate": False}, "not_eaten"),
        ({"standing": None}, "standing_test"),
        ({"standing": False}, "standing_test"),
    ],
)
def test_each_miss_keeps_the_person_here(changed, code) -> None:
    assert reasons_of(leave(**changed)) == {code}


@pytest.mark.parametrize(
    ("now", "at_screening", "fit"),
    [
        (95, 130, True),
        (94.5, 109.5, True),  # within 15 of screening
        (94.5, 110, False),
        (94.5, None, False),  # nothing to compare with
        (90, 100, True),
        (89.5, 100, False),  # within 15, but below the floor of 90
        (96, 100, True),
    ],
)
def test_systolic_may_be_close_to_screening_but_not_below_the_floor(now, at_screening, fit) -> None:
    screening = None if at_screening is None else vitals(systolic=at_screening)
    assert leave(decision=vitals(systolic=now), screening=screening).fit is fit


def test_not_fit_after_eight_hours_and_red_flags_are_marked() -> None:
    assert leave(minutes=480, ate=False).too_late
    assert not leave(minutes=479, ate=False).too_late
    assert not leave(minutes=480).too_late
    assert leave(symptoms=frozenset({"chest_pain"})).emergency
    assert not leave(symptoms=frozenset({"nausea"})).emergency


def test_hours_and_minutes() -> None:
    assert hours_and_minutes(240) == "4 h 00 min"
    assert hours_and_minutes(239.9) == "3 h 59 min"
