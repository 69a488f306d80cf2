"""Who left against advice and is called next, and whom a call from outside may be about."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from scheduling.models import AfterContact, Dose, StepRecord, Visit
from scheduling.rules.calls import NextCall, next_call
from studylab.audit.history import STANDS
from studylab.codes import normalise
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details_of
from studylab.participants.selectors.wishes import wants_no_safety_contact
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

LOOK_BACK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class CallDue:
    """Somebody who left against advice, and the call to make next."""

    code: str
    visit: Visit
    left_at: datetime
    call: NextCall


def calls_due(study: Study, at: datetime) -> list[CallDue]:
    """Return the next call of everybody who left against advice, the earliest first, in four queries.

    What nobody did within a week is no call any more: it stays an overdue contact.
    """
    plan = current_protocol(study).plan
    leaving = {step.key for visit in plan.visits for step in visit.steps if step.kind == "leave"}
    left = StepRecord.objects.filter(
        STANDS, participant__study=study, step__in=leaving,
        occurred_at__gt=at - LOOK_BACK, value__against_advice=True,
    ).exclude(participant__in=wants_no_safety_contact(study)).select_related("visit__participant__study")  # fmt: skip
    people = {record.participant_id: record for record in left}
    doses = {
        dose.participant_id: dose.given_at
        for dose in Dose.objects.filter(STANDS, participant__in=people)
    }
    reached: dict[int, list[datetime]] = {}
    for row in AfterContact.objects.filter(participant__in=people, reached=True):
        reached.setdefault(row.participant_id, []).append(row.at)
    rows = []
    for key, record in people.items():
        call = (
            next_call(record.occurred_at, doses[key], reached.get(key, ()), at)
            if key in doses
            else None
        )
        if call is not None:
            rows.append(
                CallDue(record.visit.participant.code, record.visit, record.occurred_at, call)
            )
    return sorted(rows, key=lambda row: row.call.at)


@dataclass(frozen=True, slots=True)
class Found:
    """Somebody a call may be about; `visit` is the one with the dose, else the newest that began."""

    code: str
    visit: Visit | None
    dosed_at: datetime | None


def found_by(study: Study, *, code: str, born: date | None) -> list[Found]:
    """Return who has this code or this birth date, those with the newest dose first; names are never shown."""
    people = Participant.objects.filter(study=study)
    if code:
        people = people.filter(code__in={code.strip().upper(), normalise(code)})
    else:
        people = people.filter(pk__in=_born_on(study, born)) if born else people.none()
    found = [_found(person) for person in people.order_by("code")]
    return sorted(
        found,
        key=lambda one: (one.dosed_at is None, -(one.dosed_at.timestamp() if one.dosed_at else 0)),
    )


def _found(person: Participant) -> Found:
    dose = Dose.objects.filter(STANDS, participant=person).select_related("visit").first()
    began = Visit.objects.filter(participant=person, started_at__isnull=False).order_by(
        "-started_at"
    )
    visit = dose.visit if dose else began.first()
    return Found(person.code, visit, dose.given_at if dose else None)


def _born_on(study: Study, born: date | None) -> list[int]:
    """Return the participants with this birth date, among those who came to a visit."""
    came = Visit.objects.filter(participant__study=study, started_at__isnull=False)
    people = {
        one.pk: one.person
        for one in Participant.objects.filter(visits__in=came).select_related("person").distinct()
    }
    details = contact_details_of(list(people.values()))
    return [
        key
        for key, person in people.items()
        if person.pk in details and details[person.pk].birth_date == born
    ]
