"""The pages of volunteers and contact details, as the people of the lab use them."""

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest
from django.test import Client

from studylab import clock, codes
from studylab.audit.models import Event
from studylab.participants.models import Consent, Hold, Participant, Person
from studylab.participants.selectors import contact_details
from tests.cast import shown_in
from tests.participants.people import ANA, BEN, add, like, text_of, url

pytestmark = [pytest.mark.django_db, pytest.mark.database]
Open = Callable[..., Any]

TYPED = {
    "family_name": "López", "given_names": "Ana-María", "birth_date": "1998-03-04",
    "email": "ana.lopez@mail.example", "phone": "07700 900111", "address": "3 Quay Row",
    "emergency_name": "Rosa", "emergency_phone": "07700 900112", "heard_from": "poster",
    "agreed_method": "spoken", "agreed_at": "2026-03-10T08:30",
}  # fmt: skip


def test_a_volunteer_is_added(office: Client, study: Any, noon: datetime) -> None:
    """The form leads to the volunteer's page; times are read in the study's zone."""
    response = office.post(url(study, "volunteer_add"), TYPED)
    person = Participant.objects.get()
    assert response.status_code == 302
    assert response.url == url(study, "volunteer", person.code)
    consent = Consent.objects.get()
    assert consent.signed_at.isoformat() == "2026-03-10T11:30:00+00:00"
    assert contact_details(person.person) == like(
        ANA,
        family_name="López",
        given_names="Ana-María",
        phone="07700 900111",
        emergency_name="Rosa",
    )


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("birth_date", "1876-03-04", "150 years old"),
        ("birth_date", "2027-03-04", "in the future"),
        ("birth_date", "4.3.98", "This is no date"),
        ("birth_date", "", "This field is required"),
        ("email", "søren@mail.example", "Ask for the address in plain letters"),
        ("phone", "123", "3 digits only"),
        ("emergency_phone", "mother", "digits, spaces"),
        ("family_name", "-", "it needs a letter"),
        ("given_names", "x" * 101, "at most 100"),
        ("agreed_at", "2026-03-10T23:59", "later than now"),
        ("agreed_at", "2026-03-08T02:30", "couldn’t be interpreted"),
        ("agreed_method", "screen", "not one of the available choices"),
        ("heard_from", "Lopez", "not one of the available choices"),
    ],
)
def test_wrong_entry_is_told_at_its_field_and_nothing_typed_is_lost(
    office: Client, study: Any, field: str, value: str, words: str
) -> None:
    """422 with everything still in the form. 8 March 2026, 2:30 did not exist in Halifax (clock change)."""
    response = office.post(url(study, "volunteer_add"), {**TYPED, field: value})
    assert response.status_code == 422
    form = response.context["form"]
    assert list(form.errors) == [field]
    assert words in form.errors[field][0]
    page = text_of(response)
    for name, typed in TYPED.items():
        if name not in (field, "heard_from", "agreed_method", "address"):
            assert f'value="{typed}"' in page, name
    assert "3 Quay Row" in page
    assert not Person.objects.exists()


def test_likely_duplicate_is_decided_on_the_page(office: Client, study: Any, keeper: Any) -> None:
    """Twins: first the question with what matched, then the reason, then two people."""
    dee = add(keeper, study, BEN)
    eve = {**TYPED, "family_name": "Okafor", "given_names": "Eve", "birth_date": "1995-11-21"}
    response = office.post(url(study, "volunteer_add"), eve)
    assert response.status_code == 422
    page = text_of(response)
    assert f"{dee.code} in this study: same family name and birth date." in page
    assert 'name="decision"' in page
    assert 'value="Eve"' in page
    response = office.post(url(study, "volunteer_add"), {**eve, "decision": "different"})
    assert response.status_code == 422
    assert list(response.context["form"].errors) == ["decision_reason"]
    assert 'name="decision"' in text_of(response), "the question stays open"
    response = office.post(
        url(study, "volunteer_add"), {**eve, "decision": "different", "decision_reason": "twins"}
    )
    assert response.status_code == 302
    assert Participant.objects.count() == 2


def test_somebody_of_the_study_cannot_be_chosen_as_the_same(
    office: Client, study: Any, ana: Participant
) -> None:
    """There is no such choice; a made-up one is no decision."""
    made_up = {**TYPED, "decision": str(ana.person.uid)}
    response = office.post(url(study, "volunteer_add"), made_up)
    assert response.status_code == 422
    assert "decision" in response.context["form"].errors
    assert str(ana.person.uid) not in [
        value for value, _ in response.context["form"].fields["decision"].choices
    ]
    assert Participant.objects.count() == 1
    response = office.post(url(study, "volunteer_add"), {**TYPED, "decision": "not-a-uuid"})
    assert response.status_code == 422


def test_somebody_known_to_the_site_is_joined(
    office: Client, study: Any, outsider: Any, noon: datetime
) -> None:
    """The page says "known to the site" and offers the same person; then one person has two codes."""
    from studylab.people.selectors import actor_for
    from studylab.studies.models import Study

    other = Study.objects.get(slug="other-study")
    there = add(actor_for(outsider, other), other, ANA)
    response = office.post(url(study, "volunteer_add"), TYPED)
    assert response.status_code == 422
    page = text_of(response)
    assert "known to the site" in page
    assert there.code not in page
    same = str(there.person.uid)
    response = office.post(url(study, "volunteer_add"), {**TYPED, "decision": same})
    assert response.status_code == 302
    assert Person.objects.count() == 1
    assert Participant.objects.filter(person=there.person).count() == 2


def test_list_and_filters(office: Client, study: Any, ana: Participant, keeper: Any) -> None:
    """Codes, consent and holds; names never."""
    ben = add(keeper, study, BEN)
    Hold.objects.create(participant=ben, kind="other", reason="x", opened_at=clock.now())
    page = text_of(office.get(url(study, "volunteers")))
    assert ana.code in page
    assert "questions only" in page
    assert "Lopez" not in page
    held = text_of(office.get(url(study, "volunteers"), {"show": "on_hold"}))
    assert ben.code in held
    assert ana.code not in held
    nobody = text_of(office.get(url(study, "volunteers"), {"show": "withdrawn"}))
    assert "Nobody is in this state." in nobody
    for odd in ({"show": "x"}, {"page": "0"}, {"page": "zzz"}, {"page": "999"}):
        assert office.get(url(study, "volunteers"), odd).status_code == 200


def test_list_asks_the_same_number_of_questions_for_more_people(
    office: Client, study: Any, keeper: Any, django_assert_num_queries: Any
) -> None:
    """No query per row."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def cost() -> int:
        with CaptureQueriesContext(connection) as queries:
            office.get(url(study, "volunteers"))
        return len(queries)

    add(keeper, study, BEN)
    few = cost()
    for number in range(4):
        born = date(1990, 1, 20 + number)
        add(keeper, study, like(BEN, family_name=f"N{number}", given_names=f"G{number}", birth_date=born,
                                email=f"n{number}@mail.example", phone=""))  # fmt: skip
    assert cost() == few


def test_found_by_name_by_whoever_may(
    office: Client, study: Any, ana: Participant, lead: Any, client_of: Any
) -> None:
    """A code leads straight there; a name finds Ana for the coordinator and nobody for the lead."""
    find = url(study, "volunteer_find")
    response = office.post(find, {"sought": f" {ana.code.lower().replace('-', ' ')} "})
    assert response.url == url(study, "volunteer", ana.code)
    assert ana.code in text_of(office.post(find, {"sought": "lópez"}))
    others = client_of(lead).post(find, {"sought": "lópez"})
    assert "Nobody found." in text_of(others)
    assert ana.code not in text_of(others)
    for odd in ("%", "x" * 5000, "' OR 1=1 --"):
        assert "Nobody found." in text_of(office.post(find, {"sought": odd})), odd
    for nothing in ("", " ", "\x00"):
        assert office.post(find, {"sought": nothing}).url == url(study, "volunteers")
    assert office.get(find).status_code == 405, "a name never stands in an address"


def test_wrong_code_in_the_address(office: Client, study: Any, ana: Participant) -> None:
    """A slip of the pen, another study's code and nonsense are all "not found"."""
    for code in (
        ana.code[:-1] + ("2" if ana.code[-1] != "2" else "3"),
        codes.participant_code(77, "HB"),
        "x",
        "é",
    ):
        assert office.get(url(study, "consents", code)).status_code == 404, code
    lower = url(study, "consents", ana.code.lower().replace("-", ""))
    assert office.get(lower).status_code == 200


def test_contact_details_are_shown_after_a_click(
    office: Client, study: Any, ana: Participant
) -> None:
    """Opening the page shows and writes nothing; the click does both."""
    address = url(study, "volunteer_contact", ana.code)
    page = text_of(office.get(address))
    assert "Lopez" not in page
    assert not Event.objects.filter(action="volunteer.contact_read").exists()
    page = text_of(office.post(address))
    for word in ("Lopez", "Ana Maria", "4 March 1998", "3 Quay Row", "Rosa Lopez, mother"):
        assert word in page
    assert (
        Event.objects.filter(action="volunteer.contact_read", participant_code=ana.code).count()
        == 1
    )


def test_contact_details_are_changed(office: Client, study: Any, ana: Participant) -> None:
    """Opening the form is a look; a wrong entry keeps what was typed; then the change is made."""
    address = url(study, "volunteer_contact_change", ana.code)
    assert office.get(address).url == url(study, "volunteer_contact", ana.code)
    opened = text_of(office.post(address))
    assert 'value="Lopez"' in opened
    assert Event.objects.filter(action="volunteer.contact_read").count() == 1
    data = {"family_name": "Berg", "given_names": "Ana Maria", "birth_date": "1998-03-04",
            "email": "", "phone": "12", "address": "", "emergency_name": "", "emergency_phone": "",
            "shown": opened.split('name="shown" value="')[1].split('"')[0]}  # fmt: skip
    response = office.post(address, data)
    assert response.status_code == 422
    assert 'value="Berg"' in text_of(response)
    response = office.post(address, {**data, "phone": "07700 900111"})
    assert response.status_code == 302
    details = contact_details(ana.person)
    assert details is not None
    assert (details.family_name, details.email) == ("Berg", "")


def test_change_into_somebody_else_asks_on_the_page(
    office: Client, study: Any, ana: Participant, keeper: Any
) -> None:
    """Ben with Ana's phone number: the reason is asked for once and not at the next change."""
    ben = add(keeper, study, BEN)
    address = url(study, "volunteer_contact_change", ben.code)
    data = {"family_name": "Okafor", "given_names": "Ben", "birth_date": "1995-11-21",
            "email": "ben@mail.example", "phone": ANA.phone, **shown_in(office.post(address))}  # fmt: skip
    response = office.post(address, data)
    assert response.status_code == 422
    assert f"{ana.code} in this study: same phone number." in text_of(response)
    decided = {**data, "decision": "different", "decision_reason": "flatmates"}
    assert office.post(address, decided).status_code == 302
    data |= {"address": "1 Pier Lane", **shown_in(office.post(address))}
    assert office.post(address, data).status_code == 302
