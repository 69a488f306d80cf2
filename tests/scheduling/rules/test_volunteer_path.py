"""The path of one volunteer: one row per place on it, and what may never happen anywhere on it."""

from dataclasses import replace
from itertools import product
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.rules import path
from scheduling.rules.path import PathFacts, next_step

NEW = PathFacts()
ASKED = replace(NEW, agreed_to_questions=True)
ANSWERED = replace(ASKED, questionnaire_done=True)
ASSESSED = replace(ANSWERED, assessment_outcome="cannot_decide")  # vitals are still missing
CONSENTED = replace(ASSESSED, study_consent=True)
MEASURED = replace(CONSENTED, screening_vitals_done=True, assessment_outcome="clear")
SIGNED = replace(MEASURED, sign_off="eligible")
BOOKED = replace(SIGNED, series="booked", visits=((1, "booked"), (2, "booked"), (3, "booked")))
READY = replace(BOOKED, number_issued=True)


def at_visits(*states: str, **changes) -> PathFacts:
    visits = tuple(enumerate(states, start=1))
    return replace(READY, series="running", visits=visits, **changes)


DOSED = {"dosed": True, "series": "running"}
AFTER_2 = replace(at_visits("done", "done", "booked"), dosed=True)

PATH = [
    (NEW, path.ENQUIRY, "coordinator"),
    (ASKED, path.QUESTIONS, "coordinator"),
    (ANSWERED, path.ASSESSMENT, "coordinator"),
    (ASSESSED, path.CONSENT, "coordinator"),
    (CONSENTED, path.VITALS, "experimenter"),
    (replace(MEASURED, assessment_outcome="cannot_decide"), path.SIGN_OFF, "coordinator"),
    (MEASURED, path.SIGN_OFF, "clinician"),
    (SIGNED, path.BOOKING, "coordinator"),
    (BOOKED, path.NUMBER, "coordinator"),
    (READY, path.VISIT_1, "experimenter"),
    (at_visits("running", "booked", "booked"), path.VISIT_1, "experimenter"),
    (at_visits("done", "booked", "booked"), path.VISIT_2, "experimenter"),
    (at_visits("done", "running", "booked"), path.VISIT_2, "experimenter"),
    (at_visits("done", "running", "booked", dosed=True), path.VISIT_2, "experimenter"),
    (AFTER_2, path.CONTACT, "experimenter"),
    (replace(AFTER_2, follow_up_due=True), path.CONTACT, "experimenter"),
    (replace(AFTER_2, follow_up_due=True, follow_up_done=True), path.VISIT_3, "experimenter"),
    (at_visits("done", "done", "running", dosed=True), path.VISIT_3, "experimenter"),
    (at_visits("done", "done", "done", dosed=True), path.CONTACT, "experimenter"),
    (at_visits("done", "done", "done", dosed=True, follow_up_done=True), path.COMPLETED, "coordinator"),
    (replace(AFTER_2, status="completed", follow_up_done=True), path.COMPLETED, ""),
]  # fmt: skip

ASIDE = [
    (replace(ANSWERED, assessment_outcome="exclude"), path.SIGN_OFF, "clinician"),
    (replace(MEASURED, sign_off="not_eligible"), path.SIGN_OFF, "coordinator"),
    (replace(ANSWERED, assessment_outcome="exclude", sign_off="not_eligible"), path.SIGN_OFF, "coordinator"),
    (replace(MEASURED, sign_off="needs_more"), path.SIGN_OFF, "coordinator"),
    (replace(MEASURED, assessment_outcome="hold"), path.SIGN_OFF, "clinician"),
    (replace(SIGNED, assessment_outcome="hold"), path.SIGN_OFF, "clinician"),
    (replace(MEASURED, assessment_outcome="physician"), path.SIGN_OFF, "clinician"),
    (replace(READY, sign_off="lapsed"), path.SIGN_OFF, "clinician"),
    (replace(READY, sign_off="void"), path.SIGN_OFF, "clinician"),
    (replace(READY, study_consent=False), path.CONSENT, "coordinator"),
    (replace(READY, open_holds=1), path.ON_HOLD, "clinician"),
    (replace(AFTER_2, sign_off="lapsed", follow_up_done=True), path.VISIT_3, "experimenter"),
    (at_visits("cancelled", "cancelled", "cancelled"), path.BOOKING, "coordinator"),
    (at_visits("missed", "booked", "booked"), path.VISIT_1, "coordinator"),
    (at_visits("done", "cancelled", "booked"), path.VISIT_2, "coordinator"),
    (at_visits("done", "stopped", "booked"), path.VISIT_2, "lead"),
    (at_visits("done", "done", "booked"), path.VISIT_2, "lead"),  # ended without a dose
    (at_visits("done", "done", "done"), path.VISIT_2, "lead"),
    (at_visits("done", "done", "missed", dosed=True, follow_up_due=True), path.CONTACT, "experimenter"),
    (at_visits("done", "done", "missed", dosed=True, follow_up_done=True), path.VISIT_3, "coordinator"),
    (replace(AFTER_2, follow_up_due=True, open_holds=1), path.CONTACT, "experimenter"),
    (replace(AFTER_2, follow_up_due=True, study_consent=False), path.CONTACT, "experimenter"),
    (replace(NEW, status="screened_out"), path.SCREENED_OUT, ""),
    (replace(READY, status="withdrawn", open_holds=2), path.WITHDRAWN, ""),
    (replace(AFTER_2, status="withdrawn"), path.WITHDRAWN, "experimenter"),
    (replace(AFTER_2, status="lost"), path.LOST, "experimenter"),
]  # fmt: skip


@pytest.mark.parametrize(("facts", "stage", "who"), PATH + ASIDE)
def test_stage_and_who_acts(facts, stage, who) -> None:
    step = next_step(facts)
    assert (step.stage, step.who) == (stage, who)
    assert step.title
    assert step.why.endswith(".")


def test_the_line_is_walked_in_order() -> None:
    stages = [stage for _, stage, _ in PATH]
    assert list(dict.fromkeys(stages)) == [
        "enquiry", "questions", "assessment", "consent", "vitals", "sign_off", "booking", "number",
        "visit_1", "visit_2", "contact", "visit_3", "completed",
    ]  # fmt: skip


def test_sentences_that_carry_a_second_matter() -> None:
    assert "also on hold" in next_step(replace(AFTER_2, follow_up_due=True, open_holds=1)).why
    assert (
        "contact after the dose is still open"
        in next_step(at_visits("done", "done", "running", dosed=True, follow_up_due=True)).why
    )
    assert next_step(replace(READY, open_holds=2)).why == "2 holds are open."
    assert "nobody has been reached" in next_step(replace(AFTER_2, status="withdrawn")).why


def facts_strategy() -> st.SearchStrategy[PathFacts]:
    states = st.sampled_from(get_args(path.VisitState))
    return st.builds(
        PathFacts,
        agreed_to_questions=st.booleans(),
        questionnaire_done=st.booleans(),
        assessment_outcome=st.sampled_from(get_args(path.Outcome)),
        study_consent=st.booleans(),
        screening_vitals_done=st.booleans(),
        sign_off=st.sampled_from(get_args(path.SignOffState)),
        series=st.sampled_from(get_args(path.SeriesState)),
        number_issued=st.booleans(),
        visits=st.one_of(
            st.just(()), st.tuples(states, states, states).map(lambda row: tuple(enumerate(row, 1)))
        ),
        dosed=st.booleans(),
        follow_up_due=st.booleans(),
        follow_up_done=st.booleans(),
        status=st.sampled_from(get_args(path.Status)),
        open_holds=st.integers(0, 2),
    )


@given(facts_strategy())
def test_every_combination_has_a_place_and_missing_is_never_a_pass(facts) -> None:
    step = next_step(facts)
    assert step.stage in path.STAGES
    assert step.who in {"coordinator", "clinician", "experimenter", "lead", ""}
    if facts.status == "active":
        assert step.who
    if facts.status == "active" and step.stage == path.COMPLETED:
        assert facts.dosed
        assert facts.follow_up_done
        assert all(state == "done" for _, state in facts.visits)
    if step.stage in (path.BOOKING, path.NUMBER) and not facts.dosed:
        assert facts.sign_off == "eligible"
        assert facts.study_consent
        assert facts.screening_vitals_done
        assert facts.assessment_outcome in ("clear", "physician")
    if facts.dosed and not facts.follow_up_done and facts.status != "active":
        assert step.who == "experimenter"


def test_a_due_contact_is_hidden_only_by_a_visit_under_way() -> None:
    for holds, consent, sign_off in product((0, 1), (True, False), get_args(path.SignOffState)):
        facts = replace(
            AFTER_2, follow_up_due=True, open_holds=holds, study_consent=consent, sign_off=sign_off
        )
        assert next_step(facts).stage == path.CONTACT


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("status", "gone"), ("sign_off", ""), ("series", "open"),
        ("assessment_outcome", "pass"), ("visits", ((1, "planned"),)),
    ],
)  # fmt: skip
def test_unknown_values_are_refused_by_name(field, value) -> None:
    with pytest.raises(ValueError, match=rf"{field}.* must be one of"):
        replace(NEW, **{field: value})
