"""Field case F-10: what was told at a contact is searched for medicines before the dose."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.selectors.gate import dose_gate_of
from scheduling.services.talks import confirm_talk
from screening.models import ContactNote, NoteAnswer
from screening.rules.catalogue import load_catalogue
from screening.rules.inputs import Medicine
from screening.rules.notes import NoteText, open_words
from screening.selectors.notes import open_notes, open_notes_in
from screening.services.notes import note_answer
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Hold
from tests.scheduling.sheet.breaks import doctor_phoned
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
SALBUTAMOL = {"name": "salbutamol", "route": "inhaled", "prescribed": True}


@pytest.fixture
def told(ready: Case) -> Case:
    """The gate was open; the coordinator notes what the family doctor says, and nobody lists it."""
    doctor_phoned(ready)
    return ready


def codes(case: Case) -> set[str]:
    with case.now():
        gate = dose_gate_of(visit=case.visit(2), kit_number=case.kit_number(), at=case.t)
    return set(gate.codes)


def answer(case: Case, role: str = "clinician", **changed: Any) -> NoteAnswer:
    (asked,) = open_notes(case.participant)
    given = {
        "note": asked.note.key,
        "words": asked.words,
        "matters": False,
        "reason": "Asked: not taken.",
    }
    made: NoteAnswer = case.act(note_answer, role, participant=case.participant, **given | changed)
    return made


def client(case: Case, role: str) -> Client:
    signed_in = Client()
    signed_in.force_login(case.users[role])
    return signed_in


def test_the_dose_waits_for_a_clinician_and_for_nobody_else(told: Case) -> None:
    assert codes(told) == {"note_unanswered"}
    with pytest.raises(NotAllowed):
        answer(told, "experimenter")
    with pytest.raises(Conflict):
        answer(told, words=["ibuprofen"])
    answer(told)
    assert codes(told) == set()
    with pytest.raises(Conflict):
        told.act(
            note_answer, "clinician", participant=told.participant, matters=False, reason="Again.",
            note=NoteAnswer.objects.get().note, words=["salbutamol"],
        )  # fmt: skip


def test_what_stands_in_the_way_puts_on_hold(told: Case) -> None:
    answer(told, matters=True, reason="Asthma is likely.")
    assert "Asthma is likely." in Hold.objects.get().reason
    assert codes(told) == {"hold_open"}


def test_a_list_given_since_answers_by_its_own_rule(seen_once: Case) -> None:
    seen_once.begin_two(["questions"])
    doctor_phoned(seen_once)
    assert "note_unanswered" in codes(seen_once)
    seen_once.forward(1)
    seen_once.answers("dosing_day", seen_once.visit(2), medicines=[SALBUTAMOL])
    assert open_notes(seen_once.participant) == []
    assert codes(seen_once) == {"questions_flagged", "hold_open"}


def test_only_what_was_listed_since_covers_a_note() -> None:
    at = datetime(2026, 11, 25, 12, tzinfo=UTC)
    hour = timedelta(hours=1)

    def left(text: str, *lists: tuple[datetime, str, str], answered: Any = ()) -> tuple[str, ...]:
        several = [(when, [Medicine(name, route=route)]) for when, name, route in lists]
        note = NoteText(1, "note-1", at, "contact note", text, "K")
        return open_words(load_catalogue(), note, several, answered)

    told = "Ventolin and citalopram, no coffee."
    assert left(told) == ("ventolin", "citalopram")
    assert left(told, (at - hour, "salbutamol", "inhaled")) == ("ventolin", "citalopram")
    assert left(told, (at, "salbutamol", "inhaled")) == ("citalopram",)
    assert left(told, (at + hour, "Citalopram", "oral"), answered=["ventolin"]) == ()
    assert left("a new inhaler") == ("inhaler",)
    assert left("a new inhaler", (at + hour, "formoterol", "inhaled")) == ()
    assert left("a new inhaler", (at + hour, "cetirizine", "oral")) == ("inhaler",)
    assert left("Nothing new.") == ()


def test_any_contact_and_the_run_sheet_are_searched(booked: Case) -> None:
    visit = booked.visit(1)
    booked.t = visit.planned.lower - timedelta(hours=3)
    booked.act(
        confirm_talk, "coordinator", visit=visit, reached=True, note="Brings the new inhaler along."
    )
    booked.start(1)
    booked.fill(1)
    found = [(one.note.where, one.words) for one in open_notes(booked.participant)]
    assert found == [("note of the talk (visit confirmed)", ("inhaler",))]
    booked.act(
        confirm_talk,
        "coordinator",
        visit=booked.visit(2),
        reached=True,
        note="Nothing new, drinks coffee.",
    )
    assert len(open_notes(booked.participant)) == 1


def test_notes_of_many_people_take_a_constant_number_of_queries(
    told: Case, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(9):
        ((person, one),) = open_notes_in(told.study)
    assert (person.code, one.words) == (told.participant.code, ("salbutamol",))


def test_from_the_note_to_the_answer_by_the_pages(ready: Case) -> None:
    """The coordinator writes the note; the clinician finds it on the front page and answers it."""
    slug, code = ready.study.slug, ready.participant.code
    page = reverse("volunteer_notes", args=[slug, code])
    with ready.now():
        writes = client(ready, "coordinator")
        empty = writes.post(page, {"told_by": "doctor", "text": "", "at": ""})
        assert empty.status_code == 422
        sent = {
            "told_by": "doctor",
            "text": "Salbutamol since Monday.",
            "at": f"{ready.t:%Y-%m-%dT%H:%M}",
        }
        late = writes.post(page, sent)  # the study's clock is four hours behind UTC
        assert late.status_code == 422
        assert "later than now" in late.content.decode()
        assert "Salbutamol since Monday." in late.content.decode()
        local = ready.t.astimezone(ready.study.zone)
        assert writes.post(page, sent | {"at": f"{local:%Y-%m-%dT%H:%M}"}).status_code == 302
        note = ContactNote.objects.get()
        answering = reverse("note_answer", args=[slug, code, f"note-{note.pk}"])
        assert writes.get(answering).status_code == 403
        decides = client(ready, "clinician")
        assert answering in decides.get(reverse("home", args=[slug])).content.decode()
        assert answering in decides.get(reverse("sign_off", args=[slug, code])).content.decode()
        assert answering in decides.get(reverse("sign_off_queue", args=[slug])).content.decode()
        assert "salbutamol" in decides.get(answering).content.decode()
        typed = {"words": "salbutamol", "matters": "no", "reason": ""}
        assert decides.post(answering, typed).status_code == 422
        assert decides.post(answering, typed | {"reason": "Not taken yet."}).status_code == 302
        again = decides.post(answering, typed | {"reason": "Once more."})
        assert again.status_code == 409
        assert "Not taken yet." in decides.get(page).content.decode()
    assert codes(ready) == set()


def test_a_medicine_of_no_known_name_is_asked_about_when_it_was_told_as_one() -> None:
    at = datetime(2026, 11, 25, 12, tzinfo=UTC)

    def asked(medicine: str, *listed: str, answered: Any = ()) -> tuple[str, ...]:
        note = NoteText(
            1, "note-1", at, "contact note", f"Told: {medicine}.", "K", medicine=medicine
        )
        lists = [(at, [Medicine(name) for name in listed])]
        return open_words(load_catalogue(), note, lists, answered)

    assert asked("a green tablet from the market") == ("a green tablet from the market",)
    assert asked("Zorbulan") == ("Zorbulan",)
    assert asked("Zorbulan", "zorbulan") == asked("Zorbulan", answered=["Zorbulan"]) == ()
    assert asked("salbutamol since Monday") == ("salbutamol",)


@pytest.mark.parametrize("told", ["Zorbulan 5 mg since Monday", "salbutamol"])
def test_f10_a_medicine_told_at_a_talk_keeps_the_dose_waiting(ready: Case, told: str) -> None:
    """Expect: medicines can be entered from any contact form."""
    sent = {"reached": "yes", "note": "Comes on time.", "medicine": told}
    url = reverse("visit_confirm", args=[ready.study.slug, ready.visit(3).uid])
    with ready.now():
        assert client(ready, "coordinator").post(url, sent).status_code == 302
    (one,) = open_notes(ready.participant)
    assert one.words[0] in told
    assert codes(ready) == {"note_unanswered"}
    answer(ready)
    assert codes(ready) == set()


def test_what_is_typed_at_a_talk_that_reached_nobody_stays_in_the_form(ready: Case) -> None:
    url = reverse("visit_confirm", args=[ready.study.slug, ready.visit(3).uid])
    with ready.now():
        signed_in = client(ready, "coordinator")
        assert signed_in.get(url).status_code == 200
        refused = signed_in.post(url, {"reached": "no", "note": "Mobile", "medicine": "Zorbulan"})
        page = refused.content.decode()
        assert refused.status_code == 422
        assert "write a contact note" in page
        assert 'value="Zorbulan"' in page
        assert signed_in.post(url, {"medicine": "Zorbulan"}).status_code == 422
    assert not ready.participant.talks.exists()


def test_f10_a_medicine_told_at_the_contact_after_the_dose_is_asked_about(rested: Case) -> None:
    case = rested
    case.leave()
    url = reverse("contact_add", args=[case.study.slug, case.visit(2).uid])
    case.t = case.dose.given_at + timedelta(hours=20)
    at = f"{case.t.astimezone(case.study.zone):%Y-%m-%dT%H:%M}"
    with case.now():
        signed_in = client(case, "coordinator")
        page = signed_in.get(url).content.decode()
        questions = {f"answer_{n}": "Well." for n in range(page.count('name="answer_'))}
        sent = {"at": at, "reached": "yes", "symptoms": "no", "medicine": "Zorbulan", **questions}
        not_reached = {"at": at, "reached": "no", "medicine": "Zorbulan"}
        refused = signed_in.post(url, not_reached)
        assert refused.status_code == 422
        assert "write a contact note" in refused.content.decode()
        assert signed_in.post(url, sent).status_code == 302
        home = client(case, "clinician").get(reverse("home", args=[case.study.slug]))
    (one,) = open_notes(case.participant)
    assert (one.words, one.note.where) == (("Zorbulan",), "contact note")
    assert (
        reverse("note_answer", args=[case.study.slug, case.participant.code, one.note.key])
        in home.content.decode()
    )
