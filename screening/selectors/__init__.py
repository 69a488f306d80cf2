"""Reading answers, vital sets, assessments and sign-offs."""

from screening.selectors.answers import access_answers, answer_sets, newest_answers
from screening.selectors.checks import check_facts, standing_test_ok
from screening.selectors.gate import pre_dose_fact, questions_fact, sign_off_fact
from screening.selectors.inputs import Inputs, current_inputs, current_inputs_digest
from screening.selectors.medicines import washouts_of, washouts_of_all
from screening.selectors.notes import open_notes
from screening.selectors.queue import sign_off_queue
from screening.selectors.sign_off import (
    SignOffState,
    newest_assessment,
    personal_limits,
    sign_off_state,
)
from screening.selectors.vitals import (
    access_vital_set,
    decision_of,
    newest_vitals,
    standing_sets,
    value_places,
)

__all__ = [
    "Inputs",
    "SignOffState",
    "access_answers",
    "access_vital_set",
    "answer_sets",
    "check_facts",
    "current_inputs",
    "current_inputs_digest",
    "decision_of",
    "newest_answers",
    "newest_assessment",
    "newest_vitals",
    "open_notes",
    "personal_limits",
    "pre_dose_fact",
    "questions_fact",
    "sign_off_fact",
    "sign_off_queue",
    "sign_off_state",
    "standing_sets",
    "standing_test_ok",
    "value_places",
    "washouts_of",
    "washouts_of_all",
]
