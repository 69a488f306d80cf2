"""Checks besides the readings, and which of several sets decides.

Orthostatic definition: Freeman 2011 consensus and ESC, numbers read second-hand; from a chair Shaw 2017 (read).
QT correction: Bazett and Fridericia 1920, from memory; the numbers were worked with pencil and paper.
V3, V6, V7, V8 are the vectors this project proposes to the supervising physician.
"""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from screening.rules.checks import CheckResult, judge_check, pregnancy_test_applies, ruling
from screening.rules.ecg import corrected_qt, implausible
from screening.rules.sets import TakenSet, screening_ruling
from screening.rules.taking import BothArms, arm_problems, weighed, with_counted_pulse
from screening.rules.vitals import Undecided, VitalDecision, VitalProblem
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Measuring
from tests.studies.protocol_breakages import DEMO

LIMITS = load_protocol(DEMO).limits
AT = datetime(2026, 3, 4, 14, 0, tzinfo=UTC)


def judged(kind: Any, **values: Any) -> CheckResult:
    return judge_check(kind, values, LIMITS, AT)


def standing(before: Any, one: Any, three: Any, **more: Any) -> CheckResult:
    stood = AT - timedelta(minutes=4)
    values: dict[str, Any] = {
        "start": "lying", "rest_seconds": 300, "symptoms": False, "stood_at": stood.isoformat(),
        "one_at": (stood + timedelta(seconds=60)).isoformat(),
        "three_at": (stood + timedelta(seconds=185)).isoformat(),
    }  # fmt: skip
    for name, pressure in (("before", before), ("one", one), ("three", three)):
        if pressure:
            values |= {f"{name}_systolic": pressure[0], f"{name}_diastolic": pressure[1]}
    return judged("standing_test", **{**values, **more})


def test_the_standing_test_by_its_published_definition() -> None:
    assert standing((118, 74), (99, 70), (110, 72)).outcome == "pass"  # V6: falls 19/4 and 8/2
    assert standing((118, 74), (99, 70), (98, 70)).outcome == "exclude"  # V7: fall of 20
    assert standing((104, 70), (95, 68), (89, 66)).outcome == "exclude"  # V8: standing below 90
    assert standing((118, 74), (112, 64), (112, 70)).outcome == "exclude"  # diastolic fall of 10
    assert standing((118, 74), (112, 70), None, symptoms=True).outcome == "exclude"  # stopped early
    chair = standing((118, 74), (103, 74), (110, 74), start="seated")  # fall of 15 from a chair
    assert (chair.outcome, chair.repeat) == ("undecided", True)


@pytest.mark.parametrize(
    "more",
    [
        {"rest_seconds": 299}, {"rest_seconds": None}, {"symptoms": None}, {"stood_at": None},
        {"one_at": (AT - timedelta(minutes=2, seconds=29)).isoformat()},  # 91 s
        {"three_at": (AT - timedelta(minutes=1, seconds=31)).isoformat()},  # 149 s
        {"three_systolic": None},
    ],
)  # fmt: skip
def test_a_standing_test_not_done_as_defined_is_no_pass(more: dict[str, Any]) -> None:
    result = standing((118, 74), (112, 72), (114, 72), **more)
    assert result.outcome == "undecided"
    assert len(result.reasons) == 1


@pytest.mark.parametrize(
    ("kind", "values", "outcome"),
    [
        ("breath_alcohol", {"value": 0.0}, "pass"),
        ("breath_alcohol", {"value": 0.01}, "hold"),
        ("breath_alcohol", {"value": -0.01}, "undecided"),
        ("breath_alcohol", {}, "undecided"),
        ("last_meal", {"eaten_at": (AT - timedelta(hours=12)).isoformat()}, "pass"),
        ("last_meal", {"eaten_at": (AT - timedelta(hours=12, minutes=1)).isoformat()}, "hold"),
        ("last_meal", {"eaten_at": (AT + timedelta(minutes=1)).isoformat()}, "undecided"),
        ("last_meal", {"eaten_at": "2026-03-04T09:00:00"}, "undecided"),  # no time zone
        ("pregnancy_test", {"result": "negative"}, "pass"),
        ("pregnancy_test", {"result": "positive"}, "exclude"),
        ("pregnancy_test", {"result": "invalid"}, "undecided"),
        ("pregnancy_test", {}, "undecided"),
    ],
)
def test_each_simple_check(kind: Any, values: dict[str, Any], outcome: str) -> None:
    assert judged(kind, **values).outcome == outcome


def test_qt_is_corrected_as_published() -> None:
    for formula in ("bazett", "fridericia"):
        assert corrected_qt(400, 60, formula) == pytest.approx(400)  # RR of one second
    assert corrected_qt(360, 93.75, "bazett") == pytest.approx(450)  # RR 0.64 s, root 0.8
    assert corrected_qt(400, 117.1875, "fridericia") == pytest.approx(500)  # RR 0.512 s, root 0.8
    with pytest.raises(ValueError, match="above zero"):
        corrected_qt(400, 0, "bazett")


@pytest.mark.parametrize(
    ("changed", "outcome"),
    [
        (
            {},
            "undecided",
        ),  # recorded, not read: a result present is no result reviewed (field case)
        ({"conclusion": "normal"}, "pass"),
        ({"conclusion": "normal", "pr": 200}, "pass"),
        ({"conclusion": "normal", "pr": 200.5}, "physician"),
        ({"conclusion": "normal", "pr": 210}, "physician"),  # field case F-09
        ({"conclusion": "normal", "pr": 119}, "physician"),
        ({"conclusion": "normal", "qt": 450}, "pass"),
        ({"conclusion": "normal", "qt": 451}, "physician"),
        ({"conclusion": "to_weigh"}, "physician"),
        ({"conclusion": "contraindication"}, "exclude"),
        ({"conclusion": "normal", "rate": None}, "undecided"),
    ],
)
def test_an_ecg_counts_once_it_is_read(changed: dict[str, Any], outcome: str) -> None:
    values = {"pr": 160, "qrs": 90, "qt": 400, "rate": 60, **changed}
    assert judged("ecg", **values).outcome == outcome


def test_impossible_intervals_are_named() -> None:
    assert implausible({"pr": 160, "qrs": 90, "qt": 400, "rate": 60}) == {}
    assert set(implausible({"pr": 16, "qrs": None, "qt": 4000, "rate": 60})) == {"pr", "qrs", "qt"}
    assert set(implausible({"pr": 160, "qrs": 210, "qt": 205, "rate": 60})) == {"qt"}


def result(kind: Any, outcome: Any, **more: Any) -> CheckResult:
    return CheckResult(kind, outcome, "", **more)


def test_the_strictest_of_several_checks_counts() -> None:
    assert ruling([]) is None
    positive, negative = result("pregnancy_test", "exclude"), result("pregnancy_test", "pass")
    assert ruling([positive, negative]) == positive
    invalid = result("pregnancy_test", "undecided")
    assert ruling([invalid, negative]) == negative
    assert ruling([negative, invalid]) == invalid
    chair = result("standing_test", "undecided", repeat=True)
    lying = result("standing_test", "pass")
    assert ruling([chair, lying]) == lying
    late, eaten = result("last_meal", "hold"), result("last_meal", "pass")
    assert ruling([late, eaten]) == eaten


def test_only_a_no_makes_the_pregnancy_test_needless() -> None:
    assert [pregnancy_test_applies(a) for a in ("yes", "not_sure", None, "no")] == [True] * 3 + [
        False
    ]


MONDAY, TUESDAY = date(2026, 3, 2), date(2026, 3, 3)
FINE = VitalDecision(111, 71, 65, (2, 3))
LOW = VitalDecision(97, 70, 65, (2, 3))
STOP = VitalDecision(89.5, 60, 62, (2, 3))  # V3, never rounded up to 90
BOTCHED = Undecided((VitalProblem("gap_long", "reading_2.at", "Too late."),))


@pytest.mark.parametrize(
    ("sets", "outcome", "decides"),
    [
        ([], "undecided", None),
        ([(FINE, MONDAY)], "pass", 1),
        ([(LOW, MONDAY)], "physician", 1),
        ([(STOP, MONDAY)], "repeat", 1),
        ([(STOP, MONDAY), (STOP, MONDAY)], "repeat", 2),  # repeated on the same day: not yet
        ([(STOP, MONDAY), (STOP, TUESDAY)], "exclude", 2),
        ([(LOW, MONDAY), (STOP, TUESDAY)], "exclude", 2),
        ([(FINE, MONDAY), (STOP, TUESDAY)], "repeat", 2),
        ([(STOP, MONDAY), (LOW, TUESDAY)], "physician", 2),
        ([(STOP, MONDAY), (FINE, TUESDAY)], "physician", 2),  # not cleared by measuring again
        ([(LOW, MONDAY), (FINE, MONDAY)], "physician", 2),
        ([(STOP, MONDAY), (STOP, TUESDAY), (FINE, TUESDAY)], "exclude", 2),  # nor by a third
        ([(FINE, MONDAY), (BOTCHED, TUESDAY)], "undecided", None),
        ([(BOTCHED, MONDAY), (FINE, MONDAY)], "pass", 2),
    ],
)
def test_which_set_decides(sets: Any, outcome: str, decides: int | None) -> None:
    ruled = screening_ruling([TakenSet(*one) for one in sets], LIMITS.screening)
    assert (ruled.outcome, ruled.decides) == (outcome, decides)


RANK = {"pass": 0, "physician": 1, "repeat": 1, "exclude": 2}
some_set = st.builds(
    TakenSet, st.sampled_from([FINE, LOW, STOP, BOTCHED]), st.sampled_from([MONDAY, TUESDAY])
)


@given(st.lists(some_set, max_size=6).map(lambda sets: sorted(sets, key=lambda one: one.day)))
def test_one_more_set_never_clears_anybody(sets: list[TakenSet]) -> None:
    before = screening_ruling(sets, LIMITS.screening)
    after = screening_ruling([*sets, TakenSet(FINE, TUESDAY)], LIMITS.screening)
    if any(isinstance(one.decision, VitalDecision) and one.decision != FINE for one in sets):
        assert after.outcome != "pass"
    if before.outcome in RANK:
        assert RANK[after.outcome] >= RANK[before.outcome]


def test_what_a_physician_weighs_is_no_plain_pass() -> None:
    irregular = TakenSet(FINE, MONDAY, to_weigh=("Pulse irregular.",))
    assert screening_ruling([irregular], LIMITS.screening).outcome == "physician"


@pytest.mark.parametrize(
    ("pulse", "rhythm", "counted", "expected", "codes"),
    [
        (65, "regular", None, 65, set()),
        (65, "regular", 50, 65, set()),  # nobody asked for the count
        (55, "regular", None, 55, set()),
        (54.5, "regular", None, 54.5, {"pulse_uncounted"}),
        (54.5, "regular", 58, 58, set()),
        (65, "irregular", None, 65, {"pulse_uncounted"}),
        (65, "irregular", 48, 48, set()),
        (65, "", None, 65, {"rhythm_unknown"}),
    ],
)
def test_a_slow_or_irregular_pulse_is_counted(pulse, rhythm, counted, expected, codes) -> None:
    decision = VitalDecision(111, 71, pulse, (2, 3))
    judged_pulse, problems = with_counted_pulse(decision, rhythm, counted, Measuring())
    assert judged_pulse.pulse == expected
    assert {problem.code for problem in problems} == codes


def test_the_higher_arm_is_used() -> None:
    arms = BothArms(124, 78, 118, 80)
    assert (arms.to_use, arms.difference) == ({"left"}, 6)
    assert BothArms(120, 78, 120, 80).to_use == {"right"}
    assert BothArms(120, 80, 120, 80).to_use == {"left", "right"}
    assert arm_problems("left", arms, Measuring()) == ()
    assert [p.code for p in arm_problems("right", arms, Measuring())] == ["other_arm"]
    assert [p.code for p in arm_problems("left", None, Measuring())] == ["arms_unknown"]
    assert arm_problems("left", None, Measuring(both_arms_first=False)) == ()
    assert weighed("regular", BothArms(139, 80, 120, 80), Measuring()) == ()  # 19 apart
    assert len(weighed("irregular", BothArms(140, 80, 120, 80), Measuring())) == 2
