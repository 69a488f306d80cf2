"""What the dose gate asks of screening, in the words of `screening.rules.gate_facts`."""

from dataclasses import replace
from datetime import datetime
from uuid import UUID

from screening.models import AnswerSet, Assessment, SignOff, VitalSet
from screening.rules.gate_facts import (
    PreDoseFact,
    QuestionsFact,
    QuestionsOutcome,
    SignOffFact,
    ValueOutcome,
)
from screening.rules.vitals import VitalDecision
from screening.selectors.answers import newest_answers
from screening.selectors.inputs import current_inputs, current_inputs_digest
from screening.selectors.sign_off import (
    newest_assessment,
    newest_sign_off,
    personal_limits,
    sign_off_state,
    signature_fits,
)
from screening.selectors.vitals import (
    bands_for,
    decision_of,
    newest_vitals,
    standing_sets,
    to_weigh,
    value_places,
    value_text,
)
from studylab.participants.models import Hold, Participant
from studylab.studies.rules.protocol import VitalBands
from studylab.studies.selectors import current_protocol


def sign_off_fact(participant: Participant, at: datetime) -> SignOffFact | None:
    """Return the newest sign-off; a void one carries no digest that could fit."""
    sign_off = newest_sign_off(participant)
    if sign_off is None:
        return None
    newest = newest_assessment(participant, Assessment.Gate.SCREENING)
    stands = newest is not None and newest.pk == sign_off.assessment_id and signature_fits(sign_off)
    return SignOffFact(
        eligible=sign_off.decision == SignOff.Decision.ELIGIBLE,
        valid_until=sign_off.valid_until,
        signed_digest=sign_off.assessment.inputs_digest if stands else "changed since",
        current_digest=current_inputs_digest(participant),
    )


def questions_fact(participant: Participant, visit_uid: UUID) -> QuestionsFact | None:
    """Return what today's questions led to; None while they are not asked."""
    answers = newest_answers(participant, AnswerSet.When.DOSING_DAY, visit_uid)
    if answers is None:
        return None
    assessment = newest_assessment(participant, Assessment.Gate.DOSING_DAY, visit_uid)
    inputs = current_inputs(participant, Assessment.Gate.DOSING_DAY, visit_uid)
    if assessment is None or assessment.inputs_digest != inputs.digest:
        return QuestionsFact(
            outcome=None, answered_at=answers.given_at,
            problems=("The answers were not assessed by the rules that count now.",),
        )  # fmt: skip
    problems = tuple(
        f"{finding['concept']}: {finding['said']}"
        for finding in assessment.findings
        if finding["disposition"] != "note"
    ) + tuple(f"{gap['what']} {gap['why']}" for gap in assessment.missing)
    outcome: QuestionsOutcome
    if assessment.outcome == Assessment.Outcome.CLEAR:
        outcome = "clear"
    elif assessment.outcome == Assessment.Outcome.CANNOT_DECIDE:
        outcome = "undecided"
    else:
        outcome = "released" if _answers_released(participant, assessment) else "hold"
    return QuestionsFact(outcome=outcome, answered_at=answers.given_at, problems=problems)


def _answers_released(participant: Participant, assessment: Assessment) -> bool:
    """Whether a physician released the hold that this assessment opened; an exclusion cannot be."""
    if assessment.outcome == Assessment.Outcome.EXCLUDE:
        return False
    holds = Hold.objects.filter(
        participant=participant, kind=Hold.Kind.ANSWERS, opened_at__gte=assessment.made_at
    )
    states = list(holds.values_list("released_at", flat=True))
    return bool(states) and None not in states


def pre_dose_fact(participant: Participant, visit_uid: UUID, at: datetime) -> PreDoseFact | None:
    """Return the newest pre-dose set of a visit, judged by the study's and the person's own limits."""
    vital_set = newest_vitals(participant, VitalSet.Gate.PRE_DOSE, visit_uid)
    if vital_set is None:
        return None
    limits = current_protocol(participant.study).plan.limits
    decision = decision_of(vital_set)
    outcomes: tuple[ValueOutcome, ...] = ()
    if isinstance(decision, VitalDecision):
        bands = bands_for(vital_set.gate, limits, personal_limits(sign_off_state(participant, at)))
        assert bands is not None
        outcomes = (
            *_outcomes(decision, bands),
            *_ruled_out(participant, visit_uid, vital_set, bands),
            *(
                ValueOutcome(measure="pulse", outcome="review", text=text)
                for text in to_weigh(vital_set, limits)
            ),
        )
    readings = list(vital_set.readings.all())
    return PreDoseFact(
        decision=decision,
        taken_at=None if vital_set.time_uncertain else readings[-1].at,
        outcomes=outcomes,
        released=Hold.objects.filter(
            participant=participant, vital_set_uid=vital_set.uid, released_at__isnull=False
        ).exists(),
    )


def _outcomes(decision: VitalDecision, bands: VitalBands) -> tuple[ValueOutcome, ...]:
    return tuple(
        ValueOutcome(measure=m, outcome=place, text=value_text(m, decision, getattr(bands, m)))
        for m, place in value_places(decision, bands).items()
    )


def _ruled_out(
    participant: Participant, visit_uid: UUID, newest: VitalSet, bands: VitalBands
) -> tuple[ValueOutcome, ...]:
    """Return the values of earlier sets of the visit that rule out a dose, whatever came after."""
    found = []
    for earlier in standing_sets(participant, VitalSet.Gate.PRE_DOSE, visit_uid):
        decision = decision_of(earlier)
        if earlier.pk == newest.pk or not isinstance(decision, VitalDecision):
            continue
        found += [
            replace(one, text=f"An earlier set of this visit rules out a dose: {one.text}")
            for one in _outcomes(decision, bands)
            if one.outcome == "outside"
        ]
    return tuple(found)
