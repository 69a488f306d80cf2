"""Everything the record says of one volunteer, as the viewer may see it."""

from datetime import datetime
from typing import Any

from scheduling.models import AfterContact
from scheduling.rules import path
from scheduling.selectors.own_page import confirmations_of, proposals_of
from scheduling.selectors.payments import accounts_of
from scheduling.selectors.series import all_series
from screening.selectors import (
    SignOffState,
    newest_answers,
    newest_assessment,
    sign_off_state,
    standing_sets,
)
from screening.selectors.self_report import open_report
from screening.selectors.sign_off import signature_fits
from studylab.access import Actor, Cap
from studylab.allocation.selectors import entry_of, open_levels
from studylab.allocation.selectors.arm_wishes import standing_arm_wish
from studylab.allocation.selectors.blinding import guesses_missing
from studylab.audit.selectors import events_of_participant
from studylab.outbox.selectors.messages import not_out_of
from studylab.outbox.selectors.undelivered import bad_address, undelivered_of
from studylab.participants.models import Participant
from studylab.participants.selectors import consent_entries, deviations_about, holds_of
from studylab.participants.selectors.events import events_about
from studylab.participants.selectors.wishes import standing_wish
from studylab.participants.selectors.words import words_of
from studylab.reports.selectors.links import address, step_url
from studylab.reports.selectors.path import OnPath, paths_of
from studylab.reports.selectors.trail import sentence
from studylab.studies.models import Study

MAILS_BACK = 5  # the newest
EVENTS = 30  # of the trail on the page; the record has all of it

LANDMARKS = (
    (path.QUESTIONS, "Questions"), (path.CONSENT, "Consent"), (path.VITALS, "Vitals"), (path.SIGN_OFF, "Sign-off"),
    (path.BOOKING, "Booking"), (path.NUMBER, "Number"), (path.VISIT_1, "Visit 1"), (path.VISIT_2, "Visit 2"),
    (path.VISIT_3, "Visit 3"), (path.COMPLETED, "Completed"),
)  # fmt: skip

# Stages without a mark of their own, by the mark they belong to.
_BETWEEN = {
    path.ENQUIRY: path.QUESTIONS,
    path.ASSESSMENT: path.QUESTIONS,
    path.CONTACT: path.VISIT_3,
}


def landmarks(row: OnPath) -> list[tuple[str, str, str]]:
    """Return (name, state shape, state word) for the stages of the path, in order.

    What is done is read from the facts, not from the place of what comes next: a consent that is asked for
    again undoes no visit. While a hold is open or after the end no stage is "now".
    """
    facts = row.facts
    visits = dict(facts.visits)
    done = {
        path.QUESTIONS: facts.questionnaire_done and facts.assessment_outcome != "none",
        path.CONSENT: facts.study_consent,
        path.VITALS: facts.screening_vitals_done,
        path.SIGN_OFF: facts.sign_off == "eligible" or facts.dosed,
        path.BOOKING: facts.series != "none",
        path.NUMBER: facts.number_issued,
        path.VISIT_1: visits.get(1) == "done",
        path.VISIT_2: visits.get(2) == "done",
        path.VISIT_3: visits.get(3) == "done",
        path.COMPLETED: facts.status == "completed",
    }
    here = _BETWEEN.get(row.step.stage, row.step.stage)
    now, was, later = (
        ("wait", "now"),
        ("ok", "done"),
        ("info", "later" if row.participant.is_active else "not done"),
    )
    return [
        (name, *(now if key == here and not done[key] else was if done[key] else later))
        for key, name in LANDMARKS
    ]


def _not_arrived(person: Participant, at: datetime) -> dict[str, Any]:
    """Messages of which the volunteer may not know: those that came back and those that did not go out."""
    return {
        "mails_back": list(undelivered_of(person)[:MAILS_BACK]),
        "bad_address": bad_address(person),
        "not_out": not_out_of(person, MAILS_BACK, at),
    }


def person_page(study: Study, person: Participant, actor: Actor, at: datetime) -> dict[str, Any]:
    """Return the context of a volunteer's page; health only for those who may see it."""
    row = paths_of(study, [person], at)[0]
    where = step_url(study, row, actor)
    newest = list(events_of_participant(study.pk, person.code).order_by("-at", "-id")[: EVENTS + 1])
    context: dict[str, Any] = {
        "person": person,
        "row": row,
        "marks": landmarks(row),
        "step_url": where if where != address("volunteer", study, code=person.code) else "",
        "may_number": row.step.stage == path.NUMBER and actor.may(Cap.NUMBER_ISSUE),
        "consents": [entry.consent for entry in consent_entries(person) if entry.stands],
        "wish": None if person.is_active else standing_wish(person),
        "holds": list(holds_of(person)),
        "deviations": list(deviations_about(person)),
        "adverse": list(events_about(person)) if actor.may(Cap.SAFETY_VIEW) else [],
        "series": all_series(person),
        "confirmations": confirmations_of(person),
        "proposals": proposals_of(person, at),
        "entry": entry_of(person),
        "arm_wish": standing_arm_wish(person),
        "open_levels": open_levels(person),
        "guesses_due": _guesses_due(person, dict(row.facts.visits)),
        **_not_arrived(person, at),
        "events": [(event, sentence(event)) for event in newest[:EVENTS]],
        "more_events": len(newest) > EVENTS,
        "record_url": address("record", study),
    }
    if actor.may(Cap.PAYMENTS):
        context["accounts"] = accounts_of(person)
    if actor.may(Cap.HEALTH_VIEW):
        state = sign_off_state(person, at)
        context |= {
            "assessment": newest_assessment(person, "screening"),
            "answers": newest_answers(person, "screening"),
            "sign_off": state,
            "signed": _signed(row, state),
            "questionnaire": open_report(person),
            "words": words_of(person, at),
            "vital_sets": list(standing_sets(person, "screening")),
            "contacts": AfterContact.objects.filter(participant=person).order_by("at", "id"),
        }
    return context


def _guesses_due(person: Participant, visits: dict[int, str]) -> list[tuple[str, str]]:
    """Return (stage, whose) of the guesses to ask now: between the dose and the last visit, and after that."""
    stage = ""
    if visits.get(3) == "done":
        stage = "after"
    elif visits.get(2) == "done" and visits.get(3) == "booked":
        stage = "before"
    return [(stage, teller) for teller in guesses_missing(person, stage)] if stage else []


def _signed(row: OnPath, state: SignOffState) -> str:
    """Return what the sign-off is worth; for who has left, what was decided then."""
    left = not row.participant.is_active
    if left and state.sign_off is not None and signature_fits(state.sign_off):
        return str(row.facts.sign_off)
    return state.kind
