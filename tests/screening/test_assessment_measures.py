"""Measured values in the assessment: age, body and readings at their exact edges, repeats, personal limits."""

from collections.abc import Callable

import pytest

from screening.rules.assessment import Assessment, Person, PersonalLimits
from screening.rules.bands import judge
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import Band, Limits

Run = Callable[..., Assessment]


def vitals(systolic: float = 111, diastolic: float = 71, pulse: float = 65) -> VitalDecision:
    return VitalDecision(systolic, diastolic, pulse, (2, 3))


def ids(assessment: Assessment) -> list[str]:
    return [finding.rule_id for finding in assessment.findings]


@pytest.mark.parametrize(
    ("person", "rule_id", "disposition"),
    [
        (Person(17, 172, 68), "C-43", "exclude"),
        (Person(18, 172, 68), "C-43", None),
        (Person(45, 172, 68), "C-43", None),
        (Person(45.99, 172, 68), "C-43", None),  # completed years
        (Person(46, 172, 68), "C-43", "exclude"),
        (Person(26, 200, 74), "C-44a", None),  # exactly 18.5
        (Person(26, 200, 73.99), "C-44a", "exclude"),
        (Person(26, 200, 120), "C-44a", None),  # exactly 30
        (Person(26, 200, 120.01), "C-44a", "exclude"),
        (Person(26, 160, 50), "C-44b", None),
        (Person(26, 160, 49.9), "C-44b", "physician"),
    ],
)
def test_age_and_body_at_their_edges(
    run: Run, person: Person, rule_id: str, disposition: str | None
) -> None:
    found = {f.rule_id: f.disposition for f in run(person=person).findings}
    assert found.get(rule_id) == disposition


@pytest.mark.parametrize(
    ("measure", "value", "place"),
    [
        ("systolic", 100, "pass"),
        ("systolic", 99.999, "review"),
        ("systolic", 139.999, "pass"),
        ("systolic", 140, "review"),
        ("systolic", 90, "review"),
        ("systolic", 89.999, "outside"),
        ("systolic", 159.999, "review"),
        ("systolic", 160, "outside"),
        ("diastolic", 60, "pass"),
        ("diastolic", 59.999, "review"),
        ("diastolic", 55, "review"),
        ("diastolic", 54.999, "outside"),
        ("diastolic", 90, "review"),
        ("diastolic", 100, "outside"),
        ("pulse", 60, "pass"),
        ("pulse", 59.999, "review"),
        ("pulse", 50, "review"),
        ("pulse", 49.999, "outside"),
        ("pulse", 100, "pass"),
        ("pulse", 100.001, "outside"),
    ],
)
def test_bands_are_exact_at_their_edges(
    run: Run, limits: Limits, measure: str, value: float, place: str
) -> None:
    # Proposed screening bands: 100 <= SBP < 140, 60 <= DBP < 90, 60 <= HR <= 100 pass.
    assert judge(getattr(limits.screening, measure), value) == place
    assessment = run(vitals=vitals(**{measure: value}))
    expected = {"pass": "clear", "review": "physician", "outside": "exclude"}[place]
    assert assessment.outcome == expected
    assert ids(assessment) == ([] if place == "pass" else [f"V-{measure}-{place}"])


def test_a_value_that_is_no_number_never_passes() -> None:
    assert judge(Band(0, 1000, 0, 1000, upper_included=True), float("nan")) == "outside"


@pytest.mark.parametrize(
    ("decision", "outcome"),
    [
        # Vectors V1 to V4 of the project's table of limits, as decision values.
        (vitals(111, 71, 65), "clear"),
        (vitals(99, 63, 62), "physician"),
        (vitals(89.5, 60, 62), "exclude"),
        (vitals(111, 71, 59.5), "physician"),
    ],
)
def test_vectors_of_the_screening_limits(run: Run, decision: VitalDecision, outcome: str) -> None:
    assert run(vitals=decision).outcome == outcome


def test_what_was_measured_is_shown_unrounded(run: Run) -> None:
    (finding,) = run(vitals=vitals(systolic=89.5)).findings
    assert finding.said == "89.5 mmHg"


def test_a_first_set_outside_is_repeated_before_anybody_is_excluded(run: Run) -> None:
    first = run(vitals=vitals(systolic=89.5), vitals_repeat=False)
    assert first.outcome == "physician"
    assert "repeat on another day before excluding" in first.findings[0].reason
    on_the_day = run(gate="dosing_day", vitals=vitals(systolic=89.5), vitals_repeat=False)
    assert on_the_day.outcome == "hold"
    assert run(gate="dosing_day", vitals=vitals(systolic=89.5)).outcome == "exclude"
    assert run(gate="dosing_day", vitals=vitals(systolic=99)).outcome == "hold"


def test_personal_limits_count_on_the_dosing_day_down_to_the_floor(run: Run) -> None:
    own = PersonalLimits(pulse_from=52, systolic_from=80)
    today = {"gate": "dosing_day", "personal": own}
    assert run(**today, vitals=vitals(pulse=52)).outcome == "clear"
    assert run(**today, vitals=vitals(pulse=51.9)).outcome == "hold"
    assert run(**today, vitals=vitals(systolic=90)).outcome == "clear"  # the floor, not 80
    assert run(**today, vitals=vitals(systolic=89.9)).outcome == "exclude"
    assert run(**today, vitals=vitals(diastolic=59)).outcome == "hold"
    assert run(gate="screening", personal=own, vitals=vitals(pulse=55)).outcome == "physician"
