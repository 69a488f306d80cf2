"""The contact after a dose."""

from collections.abc import Mapping
from datetime import datetime

from scheduling.models import AfterContact, Dose
from scheduling.selectors.today import contact_window
from scheduling.services.running import complete_if_over, lock_visit, note_deviation, user_of
from screening.services.notes import medicine_told
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation, Hold
from studylab.participants.services import hold_open
from studylab.studies.selectors import current_protocol

LONGEST = 2000


@service
def contact_record(
    *,
    dose: Dose,
    at: datetime,
    reached: bool,
    symptoms: bool | None,
    answers: Mapping[str, str],
    note: str = "",
    medicine: str = "",
    actor: Actor,
) -> AfterContact:
    """Record one attempt to reach somebody after the dose.

    `answers` maps each follow-up question of the protocol to what was said; all of them are answered when
    the volunteer was reached. "Not reached" says nothing about symptoms. Symptoms open a hold. Reached after
    the window is a deviation; before the window it does not count as the contact, which stays due. A `medicine`
    told becomes a contact note that a clinician answers.
    """
    require(actor, Cap.CONTACT_RECORD)
    visit = lock_visit(dose.visit, actor)
    current = Dose.objects.filter(STANDS, visit=visit).first()
    if current is None:
        raise Conflict("No dose is on record for this volunteer.")
    _check_time(at, current)
    follow_up = current_protocol(visit.participant.study).plan.follow_up
    said = _checked_answers(answers, follow_up.questions, reached=reached, symptoms=symptoms)
    contact = AfterContact.objects.create(
        dose=current,
        participant=visit.participant,
        at=at,
        recorded_at=clock.now(),
        recorded_by_id=user_of(actor),
        reached=reached,
        symptoms=symptoms,
        answers=said,
        note=note.strip()[:LONGEST],
    )
    audit(
        actor=actor, action=Action.CONTACT_RECORDED, subject_type="dose", subject_code=current.uid,
        participant_code=visit.participant.code,
        data={"at": at.isoformat(), "reached": reached, "symptoms": symptoms},
    )  # fmt: skip
    if reached and at > contact_window(current, follow_up)[1]:
        note_deviation(
            visit=visit, kind=Deviation.Kind.WAIT, at=at, actor=actor,
            what=f"The volunteer was reached later than {follow_up.until_hours:g} hours after the dose.",
            subject="contact after the dose",
        )  # fmt: skip
    medicine_told(
        participant=visit.participant, medicine=medicine, reached=reached, at=at, actor=actor,
        where="Told at the contact after the dose.",
    )  # fmt: skip
    if symptoms:
        _hold(contact, actor)
    complete_if_over(visit.participant, actor)
    return contact


def _check_time(at: datetime, dose: Dose) -> None:
    if at.utcoffset() is None:
        raise Refused("The time has no zone. Reload the page and enter it again.", field="at")
    if at > clock.now():
        raise Refused("This is later than now. Check the time.", field="at")
    if at <= dose.given_at:
        raise Refused("This is before the dose. Check the time.", field="at")


def _checked_answers(
    answers: Mapping[str, str],
    questions: tuple[str, ...],
    *,
    reached: bool,
    symptoms: bool | None,
) -> dict[str, str]:
    if not reached:
        if symptoms is not None:
            raise Refused(
                "Nobody was reached, so nothing is known about symptoms.", field="symptoms"
            )
        return {}
    if symptoms is None:
        raise Refused("Say whether there were symptoms.", field="symptoms")
    said = {question: str(answers.get(question) or "").strip()[:LONGEST] for question in questions}
    lacking = [f"Not answered: {question}" for question, words in said.items() if not words]
    if lacking:
        raise RefusedWithReasons("Every question needs an answer.", lacking, code="answers_missing")
    return said


def _hold(contact: AfterContact, actor: Actor) -> None:
    told = " ".join(filter(None, [*contact.answers.values(), contact.note]))
    hold_open(
        participant=contact.participant, kind=Hold.Kind.SYMPTOM, actor=actor,
        reason=f"Symptoms told at the contact after the dose. {told}"[:LONGEST],
    )  # fmt: skip
