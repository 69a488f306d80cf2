"""Everything the record says of one volunteer, as the viewer may see it."""

from datetime import datetime
from typing import Any

from scheduling.models import AfterContact
from scheduling.rules.path import BOOKING, COMPLETED, CONSENT, NUMBER, QUESTIONS, SIGN_OFF, VITALS
from scheduling.selectors.series import all_series
from screening.selectors import newest_answers, newest_assessment, sign_off_state, standing_sets
from studylab.access import Actor, Cap
from studylab.allocation.selectors import entry_of, open_levels
from studylab.audit.actions import SENTENCES
from studylab.audit.selectors import events_of_participant
from studylab.participants.models import Participant
from studylab.participants.selectors import consent_entries, deviations_about, holds_of
from studylab.reports.selectors.path import OnPath, paths_of
from studylab.reports.selectors.work import address, step_url
from studylab.studies.models import Study

LANDMARKS = (
    (QUESTIONS, "Questions"), (CONSENT, "Consent"), (VITALS, "Vitals"), (SIGN_OFF, "Sign-off"),
    (BOOKING, "Series booked"), (NUMBER, "Number"), ("visit_1", "Visit 1"), ("visit_2", "Visit 2"),
    ("visit_3", "Visit 3"), (COMPLETED, "Completed"),
)  # fmt: skip
_CAPS = {
    "questions": Cap.QUESTIONS_RECORD, "assessment": Cap.HEALTH_VIEW, "consent": Cap.CONSENT_RECORD,
    "vitals": Cap.VITALS_RECORD, "booking": Cap.SERIES_BOOK, "number": Cap.NUMBER_ISSUE,
    "visit_1": Cap.TODAY_VIEW, "visit_2": Cap.TODAY_VIEW, "visit_3": Cap.TODAY_VIEW,
    "contact": Cap.CONTACT_RECORD,
}  # fmt: skip


def landmarks(row: OnPath) -> list[tuple[str, str, str]]:
    """Return (name, state shape, state word) for the stages of the path, in order."""
    keys = [key for key, _name in LANDMARKS]
    stage = {"assessment": QUESTIONS, "enquiry": QUESTIONS, "contact": "visit_3"}.get(
        row.step.stage, row.step.stage
    )
    here = keys.index(stage) if stage in keys else -1
    done = row.participant.status == Participant.Status.COMPLETED
    marks = []
    for place, (_key, name) in enumerate(LANDMARKS):
        if done or (here >= 0 and place < here):
            marks.append((name, "ok", "done"))
        elif place == here:
            marks.append((name, "wait", "now"))
        else:
            marks.append((name, "info", "later"))
    return marks


def person_page(study: Study, person: Participant, actor: Actor, at: datetime) -> dict[str, Any]:
    """Return the context of a volunteer's page; health only for those who may see it."""
    row = paths_of(study, [person], at)[0]
    cap = Cap.SIGN_OFF if row.step.who == "clinician" else _CAPS.get(row.step.stage)
    if row.step.stage == SIGN_OFF and cap is None:
        cap = Cap.HEALTH_VIEW
    context: dict[str, Any] = {
        "person": person,
        "row": row,
        "marks": landmarks(row) if row.step.stage not in ("on_hold",) else [],
        "step_url": step_url(study, row),
        "may_step": cap is not None and actor.may(cap),
        "consents": consent_entries(person),
        "holds": list(holds_of(person)),
        "deviations": list(deviations_about(person)),
        "series": all_series(person),
        "entry": entry_of(person),
        "open_levels": open_levels(person),
        "events": [
            (event, SENTENCES.get(event.action, event.action))  # type: ignore[call-overload]
            for event in events_of_participant(study.pk, person.code).order_by("-id")[:30]
        ],
        "record_url": address("record", study),
    }
    if actor.may(Cap.HEALTH_VIEW):
        context |= {
            "assessment": newest_assessment(person, "screening"),
            "answers": newest_answers(person, "screening"),
            "sign_off": sign_off_state(person, at),
            "vital_sets": list(standing_sets(person, "screening")),
            "contacts": AfterContact.objects.filter(participant=person).order_by("at"),
        }
    return context
