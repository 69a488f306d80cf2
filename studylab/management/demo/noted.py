"""What was told by phone, a half-typed set of readings, and a phone number that staff and a volunteer share."""

from collections.abc import Callable
from datetime import datetime

from scheduling.models import Visit
from screening.selectors.notes import open_notes
from screening.services.check_records import Where
from screening.services.notes import note_answer, note_record
from screening.services.staff import staff_phone_set
from screening.services.vital_drafts import draft_keep
from studylab import clock
from studylab.management.demo.lab import Lab
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details

_HALF = {
    "arm": ["left"], "cuff": ["standard adult"], "device": ["Monitor 2"], "posture": ["seated"],
    "reading_1.systolic": ["118"], "reading_1.diastolic": ["76"], "reading_1.pulse": ["66"],
    "reading_2.systolic": ["11"],
}  # fmt: skip


def noted(lab: Lab, at: Callable[..., datetime]) -> None:
    """Tell the three of them."""
    _notes(lab, at)
    _half_typed(lab, at)
    _shared_number(lab, at)


def _notes(lab: Lab, at: Callable[..., datetime]) -> None:
    """Two volunteers of the coming days: about one a clinician has answered, about the other not yet."""
    coming = Visit.objects.filter(
        participant__study=lab.study, state="booked", number=2, planned__startswith__gt=at(3, 0)
    ).select_related("participant__study")
    first, second = [visit.participant for visit in coming.order_by("planned")[:2]]
    told = (
        (first, "volunteer", "Took ibuprofen for a stubbed toe at the weekend, none since.", at(-1, 15)),
        (second, "doctor", "The family doctor phoned: salbutamol was prescribed yesterday for a cough.", at(0, 11)),
    )  # fmt: skip
    for person, by, text, when in told:
        with clock.travel(when):
            note_record(
                participant=person, told_by=by, text=text, at=clock.now(),
                actor=lab.actor("coordinator"),
            )  # fmt: skip
    with clock.travel(at(-1, 17)):
        (asked,) = open_notes(first)
        note_answer(
            participant=first, note=asked.note.key, words=asked.words, matters=False,
            reason="One tablet, over before the dose by days.", actor=lab.actor("clinician"),
        )  # fmt: skip


def _half_typed(lab: Lab, at: Callable[..., datetime]) -> None:
    person = Participant.objects.filter(
        study=lab.study, status="active", consents__kind="study", vital_sets=None
    ).first()
    assert person is not None, "somebody waits for the first readings"
    began = at(0, 12, 18).astimezone(lab.study.zone)
    when = {"measured_on": [f"{began:%Y-%m-%d}"], "reading_1.at": [f"{began:%H:%M:%S}"]}
    with clock.travel(at(0, 12, 20)):
        draft_keep(
            participant=person, where=Where("screening"), content=_HALF | when,
            actor=lab.actor("experimenter2"),
        )  # fmt: skip


def _shared_number(lab: Lab, at: Callable[..., datetime]) -> None:
    """The emergency contact of a volunteer to be signed off is the experimenter's own number."""
    person = Participant.objects.filter(study=lab.study, status="active").latest("id")
    details = contact_details(person.person)
    assert details is not None, "contact details are kept with the enquiry"
    with clock.travel(at(-1, 8)):
        staff_phone_set(
            study=lab.study, user=lab.users["experimenter3"], kind="own",
            phone=details.emergency_phone, actor=lab.actor("lead"),
        )  # fmt: skip
