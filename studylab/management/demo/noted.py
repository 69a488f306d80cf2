"""What was told by phone, a half-typed set of readings, and a phone number that staff and a volunteer share."""

from collections.abc import Callable
from datetime import datetime, timedelta
from uuid import uuid4

from scheduling.models import Visit
from scheduling.selectors.own_options import own_options
from scheduling.selectors.searching import Wishes
from scheduling.services.own_moves import own_move_ask, own_move_hold
from scheduling.services.own_page import visit_confirm_own
from screening.selectors.notes import open_notes
from screening.services.check_records import Where
from screening.services.notes import note_answer, note_record
from screening.services.staff import staff_phone_set
from screening.services.vital_drafts import draft_keep
from studylab import clock
from studylab.access import Actor
from studylab.management.demo.lab import Lab
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details
from studylab.participants.services.words import Words, word_say

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
    own_pages(lab, at)


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


def own_pages(lab: Lab, at: Callable[..., datetime]) -> None:
    """What three volunteers did on their own page: one confirmed, one asks for another time, one takes a medicine."""
    coming = list(Visit.objects.filter(
            participant__study=lab.study, state="booked", planned__startswith__gt=at(1, 0)
        ).select_related("participant__study", "series__protocol_version").order_by("planned"))  # fmt: skip
    first = {visit.participant_id: visit for visit in reversed(coming)}
    visits = sorted(first.values(), key=lambda visit: visit.planned.lower)
    confirmed, asked, treated = visits[0], visits[-1], visits[1]
    with clock.travel(at(0, 8, 40)):
        visit_confirm_own(
            visit=confirmed, start=confirmed.planned.lower, actor=_holder(confirmed.participant)
        )
    with clock.travel(at(0, 12, 26)):
        word_say(
            participant=treated.participant, kind="medicine", key=uuid4(),
            words=Words("Cetirizine for hay fever", "yesterday evening", "10 mg once a day"),
            actor=_holder(treated.participant),
        )  # fmt: skip
    with clock.travel(at(0, 12, 28)):
        day = clock.now().astimezone(lab.study.zone).date()
        wishes = Wishes(first_day=day, last_day=day + timedelta(days=28))
        options = own_options(asked, wishes, clock.now())
        if options:
            holder = _holder(asked.participant)
            hold = own_move_hold(visit=asked, option=options[0], actor=holder)
            own_move_ask(visit=asked, hold=hold, actor=holder)


def _holder(person: Participant) -> Actor:
    return Actor(
        user_id=None, label=f"Volunteer {person.code}", study_id=person.study_id,
        participant_id=person.pk,
    )  # fmt: skip
