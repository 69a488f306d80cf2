"""The same person elsewhere on the site, and volunteers related to staff (field cases F-15, F-16, F-20)."""

from datetime import date, timedelta

import pytest
from django.db import IntegrityError
from django.urls import reverse

from screening.models import SignOff, StaffPhone
from screening.selectors import newest_assessment
from screening.selectors.own_records import known_to_site, own_records
from screening.selectors.staff_ties import kept_away, staff_ties, undecided_ties
from screening.services.staff import staff_decide
from studylab import clock
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Contact, Participant
from studylab.participants.selectors import contact_details
from studylab.participants.services import participant_screen_out
from studylab.participants.services.erasure import contact_erase
from studylab.participants.services.volunteers import DuplicateDecision
from studylab.people.models import User
from tests import cast
from tests.cast import PASSWORD, make_study
from tests.participants.test_erasure import close
from tests.screening.record import people

pytestmark = [pytest.mark.django_db, pytest.mark.database]
BORN = date(1998, 5, 9)


@pytest.fixture
def before(at_ten, study, confirmed, clinician):
    """Ana under a former name in another study that is closed by now: declined after fainting twice."""
    from studylab.access import Role

    other = make_study(slug="winter-study", prefix="WT")
    who = cast.make_user("Runa Falk")
    for role in (Role.COORDINATOR, Role.CLINICIAN):
        cast.join(who, other, role)
    cast.confirm_limits(other, who)
    actor = cast.actor_of(who, other)
    ana = people.add_volunteer(
        other, actor, family_name="Lopez-García", given_names="Ana María", birth_date=BORN,
        email="ana.old@post.example",
    )  # fmt: skip
    people.consent(ana, actor)
    people.answer(ana, actor, answers=people.quiet_answers(ana, C_13a="yes", C_13b=2))
    people.sign(ana, actor, decision="not_eligible", reason="Fainted twice, last month again.")
    other.state = "closed"
    other.save()
    return ana


@pytest.fixture
def ana(before, study, cora, milo):
    """Ana again: married name, other e-mail, accents left out."""
    return come_again(study, cora, milo)


def come_again(study, cora, milo):
    again = people.add_volunteer(
        study, cora, family_name="Lopez Marsh", given_names="Maria Ana", birth_date=BORN,
        email="ana.new@post.example", decision=DuplicateDecision(reason="Says she was never here."),
    )  # fmt: skip
    people.consent(again, cora)
    people.answer(again, cora)
    people.measure(again, milo)
    return again


def sent(participant, **more):
    made = newest_assessment(participant, "screening")
    return {"assessed": str(made.pk), "decision": "eligible", "password": PASSWORD, **more}


def test_f15_earlier_records_stand_on_the_sign_off_page(
    before, ana, client_of, clinician, coordinator
):
    (record,) = own_records(ana)
    assert (record.participant, record.certain, record.ended_for_a_reason) == (before, False, True)
    assert "birth date" in record.why
    page = reverse("sign_off", args=[ana.study.slug, ana.code])
    shown = client_of(clinician).get(page).content.decode()
    assert "Fainted twice, last month again." in shown
    assert before.code in shown
    theirs = (
        client_of(coordinator)
        .get(reverse("assessment", args=[ana.study.slug, ana.code]))
        .content.decode()
    )
    assert "known to the site" in theirs
    assert "Fainted" not in theirs
    assert before.code not in theirs


def test_eligible_needs_every_record_looked_at(ana, client_of, clinician, milo):
    page, client = reverse("sign_off", args=[ana.study.slug, ana.code]), client_of(clinician)
    (record,) = own_records(ana)
    answer = client.post(page, sent(ana))
    assert answer.status_code == 422
    assert "Look at each of these records" in answer.content.decode()
    with pytest.raises(Refused, match="knows this person from elsewhere"):
        people.sign(ana, milo)
    assert not SignOff.objects.filter(participant=ana).exists()
    assert client.post(page, sent(ana, records_seen=[record.key])).status_code == 302
    signed = SignOff.objects.get(participant=ana)
    assert signed.signature.content["records_seen"] == [record.key]


def test_after_erasure_the_keyed_hashes_still_tell(before, ana):
    Contact.objects.filter(person__in=[before.person, ana.person]).delete()
    assert [record.participant for record in own_records(ana)] == [before]


def test_f15_the_reason_outlives_a_real_erasure(before, study, cora, milo, client_of, clinician):
    keeper = cast.actor_of(User.objects.get(name="Runa Falk"), before.study)
    gone = Participant.objects.get(pk=before.pk)
    if gone.is_active:
        participant_screen_out(participant=gone, reason="Declined by the physician.", actor=keeper)
    close(before.study, clock.now())
    with clock.travel(clock.now() + timedelta(days=15 * 365 + 6)):  # the longest rule is over
        gone.refresh_from_db()
        contact_erase(participant=gone, reason="The time is over.", actor=keeper)
        assert contact_details(before.person) is None
        again = come_again(study, cora, milo)
        shown = client_of(clinician).get(reverse("sign_off", args=[study.slug, again.code]))
    assert "Fainted twice, last month again." in shown.content.decode()
    assert before.code in shown.content.decode()


def test_f16_twins_are_shown_and_never_merged(at_ten, study, confirmed, cora):
    dee, eve = (
        people.add_volunteer(
            study, cora, family_name="Marlowe", given_names=name, birth_date=BORN,
            email=f"{name}@post.example", decision=DuplicateDecision(reason=decided),
        )
        for name, decided in (("Dee", ""), ("Eve", "Twins, both were here."))
    )  # fmt: skip
    (record,) = own_records(dee)
    assert (record.participant, record.certain) == (eve, False)
    assert dee.person_id != eve.person_id


def test_nobody_else_is_known(waiting):
    assert not known_to_site(waiting)


def test_f20_relations_to_staff_are_found_and_the_lead_decides(
    at_ten, study, confirmed, cora, milo, experimenter, lead, client_of, actor_of
):
    answers = {
        "T-01": {"value": "yes", "detail": "I work in the building, Edda Márlow is next door"}
    }
    ben = people.add_volunteer(
        study, cora, emergency_name="MARLOW, Edda", emergency_phone="555 0100"
    )
    people.consent(ben, cora)
    people.answer(ben, cora, answers=people.quiet_answers(ben) | answers)
    assert [(tie.user, "emergency contact" in tie.why) for tie in undecided_ties(study)] == [
        (experimenter, False), (experimenter, True),
    ]  # fmt: skip
    home = client_of(lead).get(reverse("home", args=[study.slug])).content.decode()
    assert "Relations to staff to decide" in home
    page = reverse("assessment_relations", args=[study.slug, ben.code])
    client = client_of(lead)
    assert client.post(page, {"kept_away": "yes", "reason": "Neighbour."}).status_code == 422
    done = client.post(page, {"user": experimenter.pk, "kept_away": "yes", "reason": "Neighbour."})
    assert done.status_code == 302
    assert kept_away(ben) == {experimenter.pk}
    assert undecided_ties(study) == []
    with pytest.raises(NotAllowed):
        staff_decide(participant=ben, user=experimenter, kept_away=False, reason="x", actor=cora)
    staff_decide(
        participant=ben,
        user=experimenter,
        kept_away=False,
        reason="Moved away.",
        actor=actor_of(lead),
    )
    assert kept_away(ben) == set()


def test_f20_whoever_is_kept_away_sees_no_record_and_takes_no_consent(
    waiting, lead, actor_of, client_of, experimenter
):
    slug, code, signed_in = waiting.study.slug, waiting.code, client_of(experimenter)
    pages = [
        reverse("volunteer", args=[slug, code]),
        reverse("questions", args=[slug, code]),
        reverse("consent_add", args=[slug, code]),
    ]
    assert {signed_in.get(page).status_code for page in pages} == {200}
    staff_decide(
        participant=waiting,
        user=experimenter,
        kept_away=True,
        reason="Cousins.",
        actor=actor_of(lead),
    )
    for page in pages:
        refused = signed_in.get(page)
        assert refused.status_code == 403
        assert "Somebody else works with this volunteer" in refused.content.decode()
    with pytest.raises(Refused, match="Somebody else"):
        people.consent(waiting, actor_of(experimenter))
    assert (
        client_of(lead).get(reverse("assessment_relations", args=[slug, code])).status_code == 200
    )


def test_f20_whoever_is_kept_away_is_neither_offered_nor_booked(
    study, waiting, experimenter, lead, actor_of
):
    from scheduling.models import Booking, Place, Resource, Visit
    from scheduling.selectors.timelines import occupancy, span

    resource = Resource.objects.create(
        kind="experimenter", name="Edda", timezone="UTC", user=experimenter
    )
    place = Place.objects.create(resource=resource)
    uid = people.book_visit(waiting, number=1, start=people.NOW + timedelta(days=1))
    visit = Visit.objects.get(uid=uid)
    booking = Booking(
        visit=visit, place=place, segments=["arrive"],
        during=span(visit.planned.lower, visit.planned.upper),
        blocked=span(visit.planned.lower, visit.planned.upper),
    )  # fmt: skip
    staff_decide(
        participant=waiting,
        user=experimenter,
        kept_away=True,
        reason="Sister.",
        actor=actor_of(lead),
    )
    week = people.NOW, people.NOW + timedelta(days=7)
    offered = occupancy(*week, kinds=["experimenter"], without_users=kept_away(waiting))
    assert offered.places.get("experimenter", ()) == ()
    with pytest.raises(IntegrityError, match="kept away"):
        booking.save()


def test_somebody_booked_already_is_named_before_the_decision(
    study, waiting, experimenter, lead, actor_of
):
    from scheduling.models import Booking, Place, Resource, Visit
    from scheduling.selectors.timelines import span

    resource = Resource.objects.create(
        kind="experimenter", name="Edda", timezone="UTC", user=experimenter
    )
    visit = Visit.objects.get(
        uid=people.book_visit(waiting, number=1, start=people.NOW + timedelta(days=1))
    )
    times = span(visit.planned.lower, visit.planned.upper)
    Booking.objects.create(
        visit=visit, place=Place.objects.create(resource=resource), segments=["arrive"],
        during=times, blocked=times,
    )  # fmt: skip
    with pytest.raises(Refused, match="booked for visit 1"):
        staff_decide(
            participant=waiting, user=experimenter, kept_away=True, reason="x", actor=actor_of(lead)
        )


def test_a_phone_number_of_staff_meets_the_volunteers_and_is_stored_nowhere(
    at_ten, study, confirmed, cora, experimenter, client_of, lead
):
    """Both kinds on both sides; whatever way the number is written; taken away again."""
    ana = people.add_volunteer(study, cora, phone="+1 902 555 0147", emergency_phone="902-555-0123")
    page = reverse("set_up_staff_phones", args=[study.slug])
    chief = client_of(lead)
    assert client_of(experimenter).get(page).status_code == 403
    send = {"user": experimenter.pk, "kind": "emergency", "phone": "(902) 555 01 47"}
    for wrong, field in (
        ({"phone": "12"}, "phone"),
        ({"kind": "aunt"}, "kind"),
        ({"user": 0}, "user"),
    ):
        refused = chief.post(page, send | wrong)
        assert refused.status_code == 422
        assert list(refused.context["form"].errors) == [field]
    assert staff_ties(ana) == []
    assert chief.post(page, send).status_code == 302
    chief.post(page, send | {"kind": "own", "phone": "902 555 0123"})
    (tie,) = staff_ties(ana)
    assert tie.user == experimenter
    assert tie.why == (
        "the volunteer’s phone number is the number of their emergency contact; "
        "the number of the volunteer’s emergency contact is their own number"
    ) or tie.why == (
        "the number of the volunteer’s emergency contact is their own number; "
        "the volunteer’s phone number is the number of their emergency contact"
    )
    assert "0147" not in tie.why
    stored = str(list(StaffPhone.objects.values())) + str(list(Event.objects.values("data")))
    assert "55501" not in stored.replace(" ", "")
    for kind in ("own", "emergency"):
        chief.post(page, send | {"kind": kind, "phone": ""})
    assert staff_ties(ana) == []
