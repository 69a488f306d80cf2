"""Whoever leaves on their own page may say there what happens with data and calls; nobody has to."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from scheduling.models import Series
from studylab import clock
from studylab.access import Actor, Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.notices.selectors.needs import things_for
from studylab.notices.services.standing import notices_stand
from studylab.outbox.models import Message
from studylab.participants.models import LeavingWish, Participant, PersonalLink
from studylab.participants.selectors.wishes import standing_wish, to_ask, wants_no_safety_contact
from studylab.participants.services.links import holder_actor
from studylab.participants.services.wishes import Wishes, wish_record, wish_say_own
from tests.scheduling.calendar.test_my_visits import ana, booked, phone_of
from tests.selfreport.phone import Phone, text_of

__all__ = ["ana", "booked"]
pytestmark = [pytest.mark.django_db]
ANSWERS = {"safety_contact": "yes", "use": "no_use", "contact_again": "silent"}


@pytest.fixture
def phone(booked: Series, ana: Participant, booker: Actor) -> Phone:
    return phone_of(ana, booker)


def leave(phone: Phone, ana: Participant) -> Any:
    sent = phone.send(reverse("my_withdraw"), {"key": str(uuid4()), "text": ""})
    ana.refresh_from_db()
    return sent


def test_it_is_offered_after_leaving_and_what_is_said_stands_for_the_team(
    phone: Phone, ana: Participant
) -> None:
    here = reverse("my_wishes")
    assert phone.get(here).status_code == 302, "whoever takes part is not asked"
    sent = leave(phone, ana)
    assert to_ask(ana.study) == [ana]
    for page in (sent["Location"], reverse("my_visits")):
        assert here in text_of(phone.get(page))
    assert "need not answer" in text_of(phone.get(here))
    assert phone.send(here, ANSWERS).status_code == 302
    wish = standing_wish(ana)
    assert wish is not None
    assert (wish.safety_contact, wish.use, wish.contact_again) == ("yes", "no_use", "silent")
    assert (wish.how, wish.recorded_by_id) == ("own_page", None)
    assert to_ask(ana.study) == []
    event = Event.objects.filter(action=Action.WISH_RECORDED).get()
    assert (event.participant_code, event.role) == (ana.code, "Volunteer")
    assert "They are not to be used further" in text_of(phone.get(here))


def test_said_again_it_changes_nothing_and_said_otherwise_it_follows(
    phone: Phone, ana: Participant
) -> None:
    here = reverse("my_wishes")
    leave(phone, ana)
    for answers in (ANSWERS, ANSWERS, {**ANSWERS, "use": "analysis"}):
        assert phone.send(here, answers).status_code == 302
    first, second = LeavingWish.objects.order_by("id")
    assert (second.supersedes, second.use) == (first, "analysis")
    assert second.reason


@pytest.mark.parametrize("wrong", [{}, {"use": "sold"}, {"safety_contact": ""}])
def test_a_question_left_open_is_named_and_the_rest_stays_chosen(
    phone: Phone, ana: Participant, wrong: dict[str, str]
) -> None:
    leave(phone, ana)
    answers = {**ANSWERS, **wrong} if wrong else {}
    answer = phone.send(reverse("my_wishes"), answers)
    assert answer.status_code == 422
    page = text_of(answer)
    assert "Please look at this again" in page
    if wrong:
        assert page.count(" checked") == 2
    assert not LeavingWish.objects.exists()


def test_nobody_says_it_for_another_and_nobody_records_it_as_their_own_page(
    phone: Phone, ana: Participant, booker: Actor
) -> None:
    holder = holder_actor(PersonalLink.objects.get(participant=ana, revoked_at=None))
    with pytest.raises(Refused, match="who left"):
        wish_say_own(participant=ana, actor=holder, **ANSWERS)
    leave(phone, ana)
    with pytest.raises(NotAllowed):
        wish_say_own(participant=ana, actor=booker, **ANSWERS)
    with pytest.raises(Refused, match="own page"):
        wish_record(
            participant=ana, wishes=Wishes(**ANSWERS, how="own_page", said_at=clock.now()), actor=booker
        )  # fmt: skip
    assert not LeavingWish.objects.exists()


@pytest.mark.parametrize("wanted", ["yes", "no", "silent"])
def test_whoever_left_and_is_unwell_is_heard_whatever_was_said_about_calls(
    phone: Phone, ana: Participant, wanted: str, client_of: Any, coordinator: Any
) -> None:
    leave(phone, ana)
    assert (
        phone.send(reverse("my_wishes"), {**ANSWERS, "safety_contact": wanted}).status_code == 302
    )
    sent = {"key": str(uuid4()), "text": "Dizzy", "since": "noon"}
    assert phone.send(reverse("my_unwell"), sent).status_code == 302
    for role in (Role.CLINICIAN, Role.COORDINATOR, Role.EXPERIMENTER, Role.LEAD):
        red = [one for one in things_for(ana.study, [role], clock.now()) if one.is_urgent]
        assert [one.label for one in red if one.title == "A volunteer does not feel well"] == [ana.code], role  # fmt: skip
    notices_stand(study=ana.study, actor=system_actor("test"))
    assert Message.objects.filter(kind="notice_urgent", user__isnull=False).exists()
    assert wants_no_safety_contact(ana.study) == {}
    if wanted == "no":
        page = reverse("volunteer_contact", args=[ana.study.slug, ana.code])
        assert "Call them: they wrote" in client_of(coordinator).get(page).content.decode()
        anew = {**ANSWERS, "safety_contact": "no", "use": "analysis"}
        with clock.travel(clock.now() + timedelta(minutes=1)):
            assert phone.send(reverse("my_wishes"), anew).status_code == 302
        assert list(wants_no_safety_contact(ana.study)) == [ana.pk]  # said anew since
