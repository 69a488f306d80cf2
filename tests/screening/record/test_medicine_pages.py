"""Medicines on the pages of the questionnaire."""

from typing import Any

import pytest
from django.urls import reverse

from screening.models import AnswerSet
from screening.rules.table import load_table
from screening.selectors import newest_answers
from studylab.studies.selectors import current_protocol
from tests.screening.record.browser import at, questionnaire

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def browser(client_of: Any, coordinator: Any) -> Any:
    """The coordinator, signed in."""
    return client_of(coordinator)


def test_medicines_are_kept_in_the_volunteers_words(browser: Any, volunteer: Any) -> None:
    fields = questionnaire(
        volunteer,
        **{
            "medicine-0-name": "Granny’s blue drops", "medicine-0-prescribed": "no",
            "medicine-0-route": "oral", "medicine-0-last_taken": "2026-03-03T21:30",
            "medicine-1-name": "Ibuprofen", "medicine-1-prescribed": "yes", "medicine-1-dose": "400 mg",
        },
    )  # fmt: skip
    del fields["no_medicines"]
    assert browser.post(at("questions", volunteer), fields).status_code == 302
    stored = newest_answers(volunteer, "screening")
    assert stored is not None
    assert [(m["name"], m["prescribed"]) for m in stored.medicines] == [
        ("Granny’s blue drops", False), ("Ibuprofen", True),
    ]  # fmt: skip
    assert (
        stored.medicines[0]["last_taken"] == "2026-03-04T01:30:00+00:00"
    )  # half past nine in Halifax
    page = browser.get(at("assessment", volunteer)).content.decode()
    assert "not in our list. That does not mean it is safe" in page
    again = browser.get(at("questions", volunteer)).content.decode()
    assert "Granny’s blue drops" in again
    assert 'value="2026-03-03T21:30"' in again


def test_room_for_more_medicines_without_script(browser: Any, volunteer: Any) -> None:
    fields = questionnaire(
        volunteer, **{"medicine-0-name": "Aspirin", "more_medicines": "1", "weight_kg": "heavy"}
    )
    answer = browser.post(at("questions", volunteer), fields)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert 'name="medicine-4-name"' in page
    assert 'value="Aspirin"' in page
    assert "This was not saved" not in page
    assert not AnswerSet.objects.exists()


@pytest.mark.parametrize(
    ("typed", "said", "offered"),
    [
        ("salbutam", "not in our list as written", ["salbutamol"]),
        ("Ventolin", "in our list", []),
        ("propanolol", "not in our list as written", ["propranolol"]),
        ("Sudaf", "not in our list as written", ["Sudafed (pseudoephedrine)"]),
        ("Panadol", "Read the active", ["Panadol (paracetamol)"]),
        ("Panadol (paracetamol)", "in our list", []),
        ("grandma’s green drops", "It stays as written, and the physician looks at it", []),
    ],
)
def test_names_are_offered_while_typing_and_nothing_is_chosen(
    browser: Any, volunteer: Any, typed: str, said: str, offered: list[str]
) -> None:
    url = reverse("medicine_offers", args=[volunteer.study.slug])
    page = browser.get(url, {"medicine-3-name": typed}).content.decode()
    assert "<html" not in page
    assert said in page
    for name in offered:
        assert f'data-offer="{name}"' in page
    assert "interaction" not in page


def test_offers_are_for_those_who_ask(volunteer: Any, client_of: Any, monitor: Any) -> None:
    url = reverse("medicine_offers", args=[volunteer.study.slug])
    assert client_of(monitor).get(url).status_code == 403


def test_a_name_that_looks_like_another_is_kept_only_when_somebody_says_so(
    browser: Any, volunteer: Any
) -> None:
    fields = questionnaire(
        volunteer, **{"medicine-0-name": "Escitalopram", "medicine-0-prescribed": "yes",
                      "medicine-0-prescriber": "Family doctor"},
    )  # fmt: skip
    del fields["no_medicines"]
    answer = browser.post(at("questions", volunteer), fields)
    assert answer.status_code == 422
    assert 'name="medicine-0-as_written"' in answer.content.decode()
    assert not AnswerSet.objects.exists()
    kept = browser.post(at("questions", volunteer), fields | {"medicine-0-as_written": "on"})
    assert kept.status_code == 302
    stored = newest_answers(volunteer, "screening")
    assert stored is not None
    assert stored.medicines[0]["name"] == "Escitalopram"
    assert stored.medicines[0]["prescriber"] == "Family doctor"
    again = browser.get(at("questions", volunteer)).content.decode()
    assert "checked" in again.split('name="medicine-0-as_written"')[1].split(">")[0]


def test_the_table_of_rules_is_searched_by_those_who_judge_it(
    study: Any, client_of: Any, clinician: Any, experimenter: Any
) -> None:
    url = reverse("set_up_rules_table", args=[study.slug])
    assert client_of(experimenter).get(url).status_code == 403
    doctor = client_of(clinician)
    page = doctor.get(url, {"q": "beta blocker", "leads": "exclude"}).content.decode()
    assert "P-C07" in page
    assert "C-43" not in page
    assert load_table().for_study(current_protocol(study).plan.questions).hash in page
    wrong = doctor.get(url, {"q": "x" * 200, "sort": "nonsense"})
    assert wrong.status_code == 200
    assert "invalid-feedback" in wrong.content.decode()
