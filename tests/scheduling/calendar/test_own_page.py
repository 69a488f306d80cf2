"""What volunteers do on their own page: confirm, cancel, ask for another time, say that they are unwell, leave."""

import re
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.urls import reverse

from scheduling.models import (  # fmt: skip
    FreedTime,
    MoveAnswer,
    MoveProposal,
    OptionHold,
    Series,
    Visit,
    VisitConfirmation,
)
from scheduling.selectors.own_page import open_proposals
from scheduling.selectors.talks import unsettled
from scheduling.services.own_moves import own_move_answer
from scheduling.services.own_page import visit_confirm_own
from screening.selectors.notes import open_notes
from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Hold, Participant, PersonalLink, VolunteerWord
from studylab.participants.selectors.words import open_words
from studylab.participants.services.links import holder_actor
from studylab.participants.services.words import Words, word_done, word_say, word_take
from tests.scheduling.calendar.test_my_visits import ana, booked, phone_of
from tests.selfreport.phone import Phone, text_of

__all__ = ["ana", "booked"]
pytestmark = [pytest.mark.django_db]
PAGE = "/my/visits/"


@pytest.fixture
def phone(booked: Series, ana: Participant, booker: Actor) -> Phone:
    return phone_of(ana, booker)


@pytest.fixture
def holder(phone: Phone, ana: Participant) -> Actor:
    return holder_actor(PersonalLink.objects.get(participant=ana, revoked_at=None))


def said(**changed: Any) -> dict[str, Any]:
    return {"key": str(uuid4()), "text": "Dizzy and cold hands", "since": "noon", **changed}


def start_of(series: Series, number: int = 1) -> str:
    return Visit.objects.get(series=series, number=number).planned.lower.isoformat()


def option_on(page: str) -> str:
    found = re.search(r'name="option" value="([^"]+)"', page)
    assert found is not None, "no other time is offered"
    return found[1]


def test_unwell_shows_numbers_first_and_holds_the_next_dose(
    phone: Phone, ana: Participant, booker: Actor
) -> None:
    page = text_of(phone.get(f"{PAGE}unwell/"))
    assert page.index('href="tel:') < page.index('<form method="post" novalidate')
    assert "beta-blocker" not in page  # nothing was given
    data = said()
    assert phone.send(f"{PAGE}unwell/", data).status_code == 302
    assert phone.send(f"{PAGE}unwell/", data).status_code == 302  # a double press
    word = VolunteerWord.objects.get()
    assert (word.text, word.since, word.kind) == ("Dizzy and cold hands", "noon", "unwell")
    hold = Hold.objects.get(participant=ana)
    assert word.hold == hold
    assert hold.kind == Hold.Kind.SYMPTOM
    assert hold.released_at is None
    assert "Dizzy and cold hands" in hold.reason
    assert "nobody has answered yet" in text_of(phone.get(PAGE))
    with clock.travel(word.at + timedelta(minutes=14)):
        assert [one.late for one in open_words(ana.study, clock.now())] == [False]
    with clock.travel(word.at + timedelta(minutes=15)):  # the study's minutes, the edge included
        assert [one.late for one in open_words(ana.study, clock.now())] == [True]
    word_take(word=word, actor=booker)
    assert not open_words(ana.study, word.at + timedelta(hours=1))[0].late
    with pytest.raises(Refused):
        word_done(word=word, text=" ", actor=booker)
    word_done(word=word, text="Called: better after a meal.", actor=booker)
    assert open_words(ana.study, clock.now()) == []
    with pytest.raises(Conflict):
        word_done(word=word, text="Once more", actor=booker)
    hold.refresh_from_db()
    assert hold.released_at is None  # a clinician releases it, nobody else


def test_a_medicine_waits_for_a_physician_and_nobody_is_told_to_stop_it(
    phone: Phone, ana: Participant
) -> None:
    """Case F-63: no screen advises stopping; case F-10: words that name a medicine are asked about."""
    page = text_of(phone.get(f"{PAGE}medicine/"))
    assert "Never stop" in page
    assert phone.send(f"{PAGE}medicine/", said(text="Salbutamol inhaler", amount="2 puffs")).status_code == 302  # fmt: skip
    (note,) = open_notes(ana)
    assert "salbutamol" in " ".join(note.words).lower()
    assert Hold.objects.get(participant=ana).kind == Hold.Kind.OTHER


@pytest.mark.parametrize(
    "bad", [{"text": ""}, {"text": "x" * 1_000_000}, {"since": ""}, {"key": "none"}, {"text": "\x01\x02 \x1b"}]
)  # fmt: skip
def test_hostile_words_are_refused_and_nothing_typed_is_lost(
    phone: Phone, bad: dict[str, str]
) -> None:
    answer = phone.send(f"{PAGE}unwell/", said(**bad))
    assert answer.status_code == 422
    assert not VolunteerWord.objects.exists()
    assert "noon" in text_of(answer) or "since" in bad


def test_words_are_kept_without_control_characters_and_never_changed(
    phone: Phone, ana: Participant, holder: Actor
) -> None:
    phone.send(f"{PAGE}unwell/", said(text="Di\x07zzy <b>very</b>"))
    word = VolunteerWord.objects.get()
    assert word.text == "Dizzy <b>very</b>"
    assert "<b>very</b>" not in text_of(phone.get(reverse("my_word", args=[word.uid])))
    for change in (
        "UPDATE participants_volunteerword SET text = 'fine'",
        "DELETE FROM participants_volunteerword",
    ):
        with pytest.raises(DatabaseError, match="append_only"), transaction.atomic():
            connection.cursor().execute(change)


def test_nobody_speaks_for_another_and_staff_alone_answers(
    phone: Phone, ana: Participant, holder: Actor, booker: Actor
) -> None:
    other = Participant(pk=ana.pk + 999, study=ana.study, code="V-999-X")
    with pytest.raises(NotAllowed):
        word_say(participant=other, kind="unwell", words=Words("a", "b"), key=uuid4(), actor=holder)
    with pytest.raises(NotAllowed):
        word_say(participant=ana, kind="unwell", words=Words("a", "b"), key=uuid4(), actor=booker)
    word = word_say(participant=ana, kind="unwell", words=Words("a", "b"), key=uuid4(), actor=holder)  # fmt: skip
    monitor = Actor(
        user_id=booker.user_id, label="M", study_id=ana.study_id, roles=frozenset({Role.MONITOR})
    )
    for actor in (holder, monitor):
        with pytest.raises(NotAllowed):
            word_take(word=word, actor=actor)
    assert phone.get(reverse("my_word", args=[uuid4()])).status_code == 404


def test_confirming_is_taken_back_by_a_move(
    phone: Phone, booked: Series, holder: Actor, ana: Participant
) -> None:
    address = reverse("my_visit_confirm", args=[1])
    for _ in range(2):
        assert phone.send(address, {"start": start_of(booked)}).status_code == 302
    assert VisitConfirmation.objects.count() == 1
    assert text_of(phone.get(PAGE)).count("you confirmed it") == 1
    visit = Visit.objects.get(series=booked, number=1)
    with pytest.raises(Conflict):
        visit_confirm_own(visit=visit, start=visit.planned.lower + timedelta(hours=1), actor=holder)
    assert phone.send(address, {"start": "yesterday"}).status_code == 422
    assert phone.send(reverse("my_visit_confirm", args=[9]), {"start": ""}).status_code == 404
    move_first(phone, booked)
    own_move_answer(
        proposal=MoveProposal.objects.get(), accepted=True, word="", actor=_booker(booked)
    )
    assert "you confirmed it" not in text_of(phone.get(PAGE))


def _booker(series: Series) -> Actor:
    return Actor(
        user_id=series.booked_by_id, label="K", study_id=series.participant.study_id,
        roles=frozenset({Role.COORDINATOR}),
    )  # fmt: skip


def move_first(phone: Phone, series: Series) -> None:
    address = reverse("my_visit_times", args=[1])
    page = text_of(phone.get(address))
    assert 1 <= page.count('name="option"') <= 5
    assert phone.send(address, {"option": option_on(page)}).status_code == 302
    assert "Held for you until" in text_of(phone.get(address))
    assert phone.send(reverse("my_visit_ask", args=[1])).status_code == 302
    assert phone.send(reverse("my_visit_ask", args=[1])).status_code == 302  # a double press


def test_a_proposal_is_held_and_accepted_with_one_press(
    phone: Phone, booked: Series, ana: Participant
) -> None:
    before = start_of(booked)
    move_first(phone, booked)
    proposal = MoveProposal.objects.get()
    assert proposal.hold.until - proposal.hold.taken_at == timedelta(minutes=10)
    assert (
        Event.objects.filter(action=Action.OPTION_HELD, subject_code=proposal.hold.uid).count() == 1
    )
    assert start_of(booked) == before  # only proposed
    assert "You asked for" in text_of(phone.get(PAGE))
    assert [one.state for one in open_proposals(ana.study, clock.now())] == ["waiting"]
    actor = _booker(booked)
    own_move_answer(proposal=proposal, accepted=True, word="", actor=actor)
    assert Visit.objects.get(series=booked, number=1).planned.lower == proposal.new_start
    assert not OptionHold.objects.filter(is_active=True).exists()
    with pytest.raises(Conflict):
        own_move_answer(proposal=proposal, accepted=False, word="No", actor=actor)


def test_a_proposal_lapses_with_its_hold_and_says_so(
    phone: Phone, booked: Series, ana: Participant
) -> None:
    move_first(phone, booked)
    proposal, actor = MoveProposal.objects.get(), _booker(booked)
    with clock.travel(proposal.hold.until):
        assert "Nobody answered in time" in text_of(phone.get(PAGE))
        assert [one.state for one in open_proposals(ana.study, clock.now())] == ["lapsed"]
        with pytest.raises(Conflict):
            own_move_answer(proposal=proposal, accepted=True, word="", actor=actor)
        with pytest.raises(Refused):
            own_move_answer(proposal=proposal, accepted=False, word=" ", actor=actor)
        own_move_answer(proposal=proposal, accepted=False, word="Please call us", actor=actor)
        assert "Please call us" in text_of(phone.get(PAGE))
    assert MoveAnswer.objects.get().accepted is False


def test_an_option_of_another_visit_is_not_taken(phone: Phone, booked: Series) -> None:
    option = option_on(text_of(phone.get(reverse("my_visit_times", args=[1]))))
    for token in (option + "x", "", "a" * 5000):
        answer = phone.send(reverse("my_visit_times", args=[1]), {"option": token})
        assert answer.status_code == 409
        assert "Please choose again" in text_of(answer)
    assert phone.send(reverse("my_visit_times", args=[2]), {"option": option}).status_code == 409
    assert not OptionHold.objects.exists()


def test_cancelling_follows_the_study_document_and_leaves_an_open_task(
    phone: Phone, booked: Series, ana: Participant
) -> None:
    """Case F-25: cancelling leaves an open task with a date; later visits do not stay booked by themselves."""
    page = text_of(phone.get(reverse("my_visit_cancel", args=[1])))
    assert "What this means" in page
    assert phone.send(reverse("my_visit_cancel", args=[1]), {"start": start_of(booked)}).status_code == 302  # fmt: skip
    assert set(Visit.objects.filter(series=booked).values_list("state", flat=True)) == {"cancelled"}
    assert FreedTime.objects.filter(study=ana.study).exists()
    (open_end,) = unsettled(ana.study, clock.now())
    assert open_end.participant == ana
    again = phone.send(reverse("my_visit_cancel", args=[1]), {"start": start_of(booked)})
    assert again.status_code == 409


def test_leaving_the_study_takes_two_steps_and_reaches_the_team(
    phone: Phone, booked: Series, ana: Participant
) -> None:
    address = f"{PAGE}leave-the-study/"
    assert "need not say why" in text_of(phone.get(address))
    ana.refresh_from_db()
    assert ana.is_active
    data = {"key": str(uuid4()), "text": ""}
    assert phone.send(address, data).status_code == 302
    ana.refresh_from_db()
    assert ana.status == Participant.Status.WITHDRAWN
    assert not Visit.objects.filter(series=booked, state="booked").exists()
    assert [one.word.kind for one in open_words(ana.study, clock.now())] == ["withdrew"]
    assert "no longer take part" in text_of(phone.get(PAGE))
    assert phone.send(f"{PAGE}unwell/", said()).status_code == 302  # still heard
    assert phone.send(reverse("my_visit_confirm", args=[1]), {"start": start_of(booked)}).status_code in (409, 422)  # fmt: skip


@pytest.mark.parametrize("name", ["my_unwell", "my_medicine", "my_withdraw"])
def test_an_expired_link_opens_nothing(phone: Phone, name: str) -> None:
    with clock.travel(clock.now() + timedelta(days=15)):
        assert phone.get(reverse(name)).status_code == 403
        phone.send(reverse(name), said())
    assert not VolunteerWord.objects.exists()
