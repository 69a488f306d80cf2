"""Pages on which staff answers what volunteers wrote or asked for, and volunteers who move a visit by themselves."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, MoveAnswer, MoveProposal, OptionHold, Series, Visit
from scheduling.selectors.own_options import free_again
from scheduling.selectors.timelines import span
from scheduling.services.own_moves import own_move_answer
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict
from studylab.participants.models import Participant, VolunteerWord
from tests import cast
from tests.scheduling import lab as the_lab
from tests.scheduling.calendar.test_my_visits import ana, booked, phone_of
from tests.scheduling.calendar.test_own_page import move_first, option_on, start_of
from tests.screening.record.people import other_version
from tests.selfreport.phone import Phone, text_of

__all__ = ["ana", "booked"]
pytestmark = [pytest.mark.django_db]


@pytest.fixture
def phone(booked: Series, ana: Participant, booker: Actor) -> Phone:
    return phone_of(ana, booker)


@pytest.fixture
def office(coordinator: Any, client_of: Any) -> Client:
    client: Client = client_of(coordinator)
    return client


def page_of(name: str, ana: Participant, uid: Any) -> str:
    return reverse(name, args=[ana.study.slug, ana.code, uid])


def test_somebody_takes_the_words_and_says_what_was_done(
    phone: Phone, ana: Participant, office: Client, monitor: Any, client_of: Any
) -> None:
    phone.send(reverse("my_medicine"), {"key": str(uuid4()), "text": "Cetirizine", "since": "noon"})
    word = VolunteerWord.objects.get()
    here = page_of("word", ana, word.uid)
    page = office.get(here).content.decode()
    assert "Cetirizine" in page
    assert "I look after it" in page
    assert office.post(page_of("word_take", ana, word.uid)).status_code == 302
    assert "I look after it" not in office.get(here).content.decode()
    empty = office.post(here, {"text": " "})
    assert (empty.status_code, "Say what was done" in empty.content.decode()) == (422, True)
    assert office.post(here, {"text": "Called, the pack is entered."}).status_code == 302
    page = office.get(here).content.decode()
    assert "Called, the pack is entered." in page
    assert "Record what was done" not in page
    assert client_of(monitor).get(here).status_code == 403
    assert office.get(page_of("word", ana, uuid4())).status_code == 404


@pytest.fixture
def asked(phone: Phone, booked: Series) -> MoveProposal:
    move_first(phone, booked)
    return MoveProposal.objects.select_related("hold", "visit").get()


def test_a_time_that_is_held_is_accepted_or_declined_with_a_word(
    asked: MoveProposal, ana: Participant, office: Client, phone: Phone
) -> None:
    here = page_of("move_asked", ana, asked.uid)
    page = office.get(here).content.decode()
    assert "Held until" in page
    assert page.count("Accept and move") == 1
    refused = office.post(here, {"word": ""})
    assert (refused.status_code, "Say a word" in refused.content.decode()) == (422, True)
    assert office.post(here, {"word": "Please call us"}).status_code == 302
    assert "Please call us" in text_of(phone.get(reverse("my_visits")))
    late = office.post(page_of("move_accept", ana, asked.uid), follow=True)
    assert "answered this meanwhile" in late.content.decode()


def test_a_lapsed_time_that_is_still_free_is_accepted_with_one_press(
    asked: MoveProposal, ana: Participant, office: Client
) -> None:
    with clock.travel(asked.hold.until + timedelta(minutes=20)):
        page = office.get(page_of("move_asked", ana, asked.uid)).content.decode()
        assert "no longer held, and still free now" in page
        assert page.count("Accept and move") == 1
        assert office.post(page_of("move_accept", ana, asked.uid)).status_code == 302
    assert MoveAnswer.objects.get().accepted
    assert Visit.objects.get(pk=asked.visit_id).planned.lower == asked.new_start


def test_a_lapsed_time_that_others_took_is_not_offered(
    asked: MoveProposal, ana: Participant, office: Client, study: Any
) -> None:
    with clock.travel(asked.hold.until + timedelta(minutes=1)):
        for name in ("Room 1", "Room 2"):
            Closure.objects.create(
                resource=the_lab.room(name), reason="Leak", during=span(asked.new_start, asked.new_start + timedelta(hours=1))
            )  # fmt: skip
        page = office.get(page_of("move_asked", ana, asked.uid)).content.decode()
        assert "cannot be had any more" in page
        assert "Accept and move" not in page
        assert reverse("visit_move", args=[study.slug, ana.code, asked.visit.uid]) in page
        answer = office.post(page_of("move_accept", ana, asked.uid), follow=True)
        assert "It has to be chosen anew" in answer.content.decode()
    assert not MoveAnswer.objects.exists()


def test_other_times_than_those_asked_for_are_never_taken(
    asked: MoveProposal, booker: Actor, ana: Participant
) -> None:
    now = asked.hold.until + timedelta(minutes=1)
    with clock.travel(now):
        again = free_again(asked, now)
        assert again is not None
        asked.hold.option[0][1] += 900
        OptionHold.objects.filter(pk=asked.hold_id).update(option=asked.hold.option)
        with pytest.raises(Conflict, match="not the times"):
            own_move_answer(proposal=asked, accepted=True, word="", again=again, actor=booker)


def test_where_the_document_lets_them_volunteers_move_by_themselves(
    phone: Phone, booked: Series, study: Any, clinician: Any
) -> None:
    """`moves = "alone"`: nobody is asked, and the visit is at its new time at once."""
    other_version(study, ('moves = "propose"', 'moves = "alone"'))
    cast.confirm_limits(study, clinician)
    before, address = start_of(booked), reverse("my_visit_times", args=[1])
    assert phone.send(address, {"option": option_on(text_of(phone.get(address)))}).status_code == 302  # fmt: skip
    hold = OptionHold.objects.get()
    assert "Take this time" in text_of(phone.get(address))
    assert phone.send(reverse("my_visit_ask", args=[1])).status_code == 302
    assert start_of(booked) != before
    assert Visit.objects.get(series=booked, number=1).planned.lower.timestamp() == hold.option[0][1]
    assert not MoveProposal.objects.exists()
