"""The assessment: label contraindications always exclude, missing is never a pass, edges are exact."""

import itertools
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from screening.rules.assessment import (
    Answer,
    Assessment,
    Medicine,
    Person,
)
from screening.rules.rows import WEIGHT
from screening.rules.table import RuleTable
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import Limits, Question

AT = datetime(2026, 3, 4, 9, 30, tzinfo=ZoneInfo("America/Halifax"))
Run = Callable[..., Assessment]
Healthy = Callable[..., dict[str, Answer]]

# Contraindications of the US propranolol tablets label and of UK SmPC 4.3, union of both, each with the
# question that finds it. Fasting passes within hours and is a matter of the dosing day, tested below.
LABEL = {
    "cardiogenic shock, uncontrolled heart failure": "C-09",
    "sinus bradycardia": "C-03",
    "AV block above first degree": "C-04",
    "bronchial asthma": "C-01",
    "history of bronchospasm": "C-01b",
    "hypersensitivity to the drug": "C-23a",
    "hypersensitivity to an excipient": "C-23b",
    "hypotension": "C-12",
    "sick sinus syndrome": "C-06",
    "severe peripheral arterial disease": "C-16",
    "Prinzmetal angina": "C-11",
    "phaeochromocytoma": "C-18a",
    "metabolic acidosis": "C-19a",
    "prone to hypoglycaemia": "C-21a",
}


def vitals(systolic: float = 111, diastolic: float = 71, pulse: float = 65) -> VitalDecision:
    return VitalDecision(systolic, diastolic, pulse, (2, 3))


def ids(assessment: Assessment) -> list[str]:
    return [finding.rule_id for finding in assessment.findings]


@pytest.mark.parametrize("gate", ["screening", "ahead", "dosing_day"])
def test_a_healthy_person_is_clear(run: Run, gate: str) -> None:
    assessment = run(gate=gate)
    assert (assessment.outcome, assessment.findings, assessment.missing) == ("clear", (), ())
    assert len(assessment.table_hash) == 64
    assert assessment.table_version


@pytest.mark.parametrize("rule_id", LABEL.values(), ids=LABEL.keys())
def test_each_label_contraindication_excludes_alone(
    run: Run, healthy: Healthy, rule_id: str
) -> None:
    assessment = run(answers=healthy() | {rule_id: Answer("yes", "since school")})
    assert assessment.outcome == "exclude"
    (finding,) = assessment.findings
    assert (finding.rule_id, finding.disposition) == (rule_id, "exclude")
    assert finding.said == "yes: since school"
    assert finding.label


def test_each_label_contraindication_excludes_whatever_else_is_missing(
    run: Run, table: RuleTable
) -> None:
    leading = sum(not row.asked_if for row in table.asked("screening"))
    for rule_id in LABEL.values():
        assessment = run(
            answers={rule_id: Answer("yes")}, vitals=None, person=Person(None, None, None)
        )
        assert assessment.outcome == "exclude"
        # What is missing is listed all the same: the other questions, three readings, age, height, weight.
        assert len(assessment.missing) == leading - 1 + 3 + 3


def test_each_pair_of_label_contraindications_excludes(run: Run, healthy: Healthy) -> None:
    for pair in itertools.combinations(LABEL.values(), 2):
        assessment = run(answers=healthy() | dict.fromkeys(pair, Answer("yes")))
        assert assessment.outcome == "exclude"
        assert set(ids(assessment)) == set(pair)


def test_a_contraindication_excludes_beside_every_other_flagged_answer(
    run: Run, healthy: Healthy, table: RuleTable
) -> None:
    for row in table.asked("screening"):
        if row.kind == "yes_no" and row.id != "C-01":
            answers = healthy() | {"C-01": Answer("yes"), row.id: Answer(row.flag_on)}
            assert run(answers=answers).outcome == "exclude", row.id


@pytest.mark.parametrize(
    ("rule_id", "value"), [("C-22a", 12.5), ("C-22b", "yes"), ("C-22a", "not_sure")]
)
def test_fasting_holds_the_dose(run: Run, healthy: Healthy, rule_id: str, value: Any) -> None:
    # UK SmPC 4.3 names prolonged fasting; the 12 hours are a proposal.
    answers = healthy("dosing_day") | {rule_id: Answer(value)}
    assert run(gate="dosing_day", answers=answers).outcome == "hold"


@pytest.mark.parametrize("gate", ["screening", "dosing_day"])
def test_any_single_missing_answer_is_never_clear(
    run: Run, healthy: Healthy, table: RuleTable, gate: Any
) -> None:
    for row in table.asked(gate):
        if row.asked_if:
            continue
        for unusable in (None, Answer(None), Answer(""), Answer("perhaps"), Answer(float("nan"))):
            answers = healthy(gate)
            del answers[row.id]
            if unusable is not None:
                answers[row.id] = unusable
            assessment = run(gate=gate, answers=answers)
            assert assessment.outcome == "cannot_decide", (row.id, unusable)
            assert [gap.rule_id for gap in assessment.missing] == [row.id]
            assert assessment.missing[0].what == row.text
            assert assessment.missing[0].who == "volunteer"


def test_a_follow_up_question_is_missing_only_when_it_was_asked(
    run: Run, healthy: Healthy, table: RuleTable
) -> None:
    for row in table.asked("screening"):
        if not row.asked_if:
            continue
        for value in ("yes", "not_sure"):
            assessment = run(answers=healthy() | {row.asked_if: Answer(value)})
            assert row.id in [gap.rule_id for gap in assessment.missing]
        # An answer that was given anyway still counts.
        flagged = {
            "number": Answer(row.minimum if row.id == "C-39b" else row.maximum),
            "date": Answer("2026-03-01"),
            "yes_no": Answer(row.flag_on),
        }[row.kind]
        assert row.id in ids(run(answers=healthy() | {row.id: flagged})), row.id


def test_missing_measurements_medicines_and_person_are_never_clear(run: Run) -> None:
    for changed, expected in (
        ({"vitals": None}, {"V-systolic", "V-diastolic", "V-pulse"}),
        ({"vitals": vitals(pulse=float("nan"))}, {"V-pulse"}),
        ({"no_medicines": False}, {"C-47"}),
        ({"person": Person(None, 172, 68)}, {"C-43"}),
        ({"person": Person(26, None, 68)}, {"C-44a"}),
        ({"person": Person(26, 172, None)}, {"C-44a", "C-44b"}),
        ({"person": Person(26, 1.72, 68)}, {"C-44a"}),  # metres for centimetres
        ({"person": Person(150, 172, 68)}, {"C-43"}),
    ):
        assessment = run(**changed)
        assert assessment.outcome == "cannot_decide", changed
        assert {gap.rule_id for gap in assessment.missing} == expected


def test_a_number_that_the_protocol_lacks_cannot_be_decided(run: Run, limits: Limits) -> None:
    bare = replace(limits, numbers={})
    assessment = run(limits=bare)
    assert assessment.outcome == "cannot_decide"
    assert "age_min" in assessment.missing[1].why
    assert {gap.who for gap in assessment.missing} == {"study lead and supervising physician"}


def test_readings_may_be_left_to_another_gate_only_when_said(run: Run) -> None:
    assert run(gate="dosing_day", vitals=None).outcome == "cannot_decide"
    assert run(gate="dosing_day", vitals=None, with_vitals=False).outcome == "clear"


def test_not_sure_goes_to_a_physician_unless_the_row_says_otherwise(
    run: Run, healthy: Healthy, table: RuleTable
) -> None:
    for gate in ("screening", "dosing_day"):
        for row in table.asked(gate):
            if row.kind != "yes_no" or row.asked_if:
                continue
            answers = healthy(gate) | {row.id: Answer("not_sure")}
            found = {f.rule_id: f for f in run(gate=gate, answers=answers).findings}
            assert found[row.id].disposition == row.not_sure
            if row.disposition != "note":
                assert WEIGHT[row.not_sure] >= WEIGHT["physician"], row.id


@pytest.mark.parametrize(
    ("rule_id", "value", "disposition"),
    [
        ("C-37b", 10, None),
        ("C-37b", 11, "physician"),
        ("C-38a", 14, None),
        ("C-38a", 14.5, "physician"),
        ("C-39b", 7, None),
        ("C-39b", 6, "exclude"),
        ("C-13b", 1, None),
        ("C-13b", 2, "exclude"),
        ("C-46b", "2026-02-02", None),  # 30 days before 4 March
        ("C-46b", "2026-02-03", "physician"),
        ("C-46d", "2026-01-07", None),  # 56 days before
        ("C-46d", "2026-01-08", "physician"),
    ],
)
def test_numbers_and_days_at_their_edges(
    run: Run, healthy: Healthy, rule_id: str, value: Any, disposition: str | None
) -> None:
    found = {
        f.rule_id: f.disposition for f in run(answers=healthy() | {rule_id: Answer(value)}).findings
    }
    assert found.get(rule_id) == disposition


@pytest.mark.parametrize("value", ["2026-03-05", "2026-02-30", "yesterday", 20260302, -1])
def test_impossible_days_are_missing(run: Run, healthy: Healthy, value: Any) -> None:
    assessment = run(answers=healthy() | {"C-46b": Answer(value)})
    assert [gap.rule_id for gap in assessment.missing] == ["C-46b"]


def test_findings_come_in_order_of_weight(run: Run, healthy: Healthy) -> None:
    answers = healthy() | {
        "C-45": Answer("yes"),
        "C-35": Answer("yes"),
        "C-02": Answer("yes"),
        "C-16": Answer("yes"),
    }
    assessment = run(answers=answers, medicines=[Medicine("ciprofloxacin", last_taken=AT)])
    # A label contraindication comes before another exclusion; hold before physician before note.
    assert ids(assessment) == ["C-16", "C-02", "C-35", "M-073", "C-45"]
    day = healthy("dosing_day") | {"D-09": Answer("yes"), "D-02": Answer("yes")}
    assert ids(run(answers=day, gate="dosing_day")) == ["D-02", "D-09"]


def test_thoughts_of_ending_life_ask_for_contact_the_same_day(run: Run, healthy: Healthy) -> None:
    assessment = run(answers=healthy() | {"C-33b": Answer("yes")})
    assert assessment.urgent
    assert not run().urgent


def test_the_studys_own_question_counts(run: Run, healthy: Healthy, table: RuleTable) -> None:
    own = Question("S-01", "Seen it?", "story known", "exclude", "Must be new.", "protocol")
    extended = table.for_study((own,))
    assert run(table=extended).outcome == "cannot_decide"
    assert run(table=extended, answers=healthy(S_01="no")).outcome == "clear"
    assert run(table=extended, answers=healthy(S_01="yes")).outcome == "exclude"


@pytest.mark.shows("A-06")
def test_times_without_a_zone_are_refused(run: Run) -> None:
    with pytest.raises(ValueError, match="no time zone"):
        run(at=datetime(2026, 3, 4, 9))
    with pytest.raises(ValueError, match="no time zone"):
        run(medicines=[Medicine("ibuprofen", last_taken=datetime(2026, 3, 4))])
