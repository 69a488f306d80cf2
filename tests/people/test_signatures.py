"""Signatures: the password again, bound to what was signed, never for somebody else."""

from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.models import Signature, User
from studylab.people.services.signatures import (
    WrongPassword,
    check_password,
    content_hash,
    signature_write,
)
from tests.cast import PASSWORD

pytestmark = [pytest.mark.django_db, pytest.mark.database]
CONTENT = {"decision": "eligible", "values": {"pulse": 61.5, "systolic": 118}, "name": "Ünï"}


def sign(actor: Any, user: User, content: dict[str, Any] = CONTENT) -> Signature:
    return signature_write(
        actor=actor, user=user, meaning="I agree", subject_type="thing", subject_code="T-1",
        content=content,
    )  # fmt: skip


@pytest.mark.parametrize("password", ["", "wrong", PASSWORD + " ", PASSWORD.upper()])
@pytest.mark.shows("S-06", "V-7.5.3")
def test_a_wrong_password_signs_nothing_and_is_noted(
    actor_of: Any, clinician: Any, password: str
) -> None:
    with pytest.raises(WrongPassword) as refusal:
        check_password(
            actor=actor_of(clinician), password=password, subject_type="thing", subject_code="T-1"
        )
    assert refusal.value.field == "password"
    assert not Signature.objects.exists()
    event = Event.objects.get(action=Action.SIGNATURE_REFUSED)
    assert (event.actor_id, event.subject_code) == (clinician.pk, "T-1")


def test_the_right_password_is_that_of_the_actor(actor_of: Any, clinician: Any, lead: Any) -> None:
    actor = actor_of(clinician)
    assert (
        check_password(actor=actor, password=PASSWORD, subject_type="t", subject_code=1)
        == clinician
    )
    lead.set_password("another long password")
    lead.save()
    with pytest.raises(WrongPassword):
        check_password(
            actor=actor, password="another long password", subject_type="t", subject_code=1
        )


def test_neither_the_house_nor_a_closed_account_signs(actor_of: Any, clinician: Any) -> None:
    with pytest.raises(WrongPassword):
        check_password(
            actor=system_actor("night"), password=PASSWORD, subject_type="t", subject_code=1
        )
    User.objects.filter(pk=clinician.pk).update(is_active=False)
    with pytest.raises(WrongPassword):
        check_password(
            actor=actor_of(clinician), password=PASSWORD, subject_type="t", subject_code=1
        )


@pytest.mark.shows("S-07")
def test_nobody_signs_for_somebody_else(actor_of: Any, clinician: Any, lead: Any) -> None:
    with pytest.raises(AssertionError, match="somebody else"):
        sign(actor_of(lead), clinician)
    assert not Signature.objects.exists()


@pytest.mark.shows("S-01", "S-02")
def test_a_signature_shows_name_role_time_and_meaning_as_they_were(
    actor_of: Any, clinician: Any, study: Any
) -> None:
    signature = sign(actor_of(clinician), clinician)
    User.objects.filter(pk=clinician.pk).update(name="Married Name")
    signature = Signature.objects.get(pk=signature.pk)
    assert signature.printed_name == "Milo Hartwell"
    assert signature.role == "Clinician (supervising physician)"
    assert signature.meaning == "I agree"
    assert signature.study == study
    event = Event.objects.get(action=Action.SIGNATURE_GIVEN)
    assert event.data == {"meaning": "I agree", "content_hash": signature.content_hash}


def test_the_hash_is_that_of_the_canonical_text() -> None:
    """Digest of '{"a":[1,"é"],"b":null}' in UTF-8, computed with sha256sum (GNU coreutils)."""
    expected = "1e02bc81a26af2f027329541e97eef36f3290bedc6dfe043dbe66b057ecb13ba"
    assert content_hash({"b": None, "a": [1, "é"]}) == expected


@pytest.mark.parametrize(
    "change",
    [
        {"decision": "not eligible"},
        {"values": {"pulse": 61.5, "systolic": 119}},
        {"values": {"pulse": 61.6, "systolic": 118}},
        {"further": None},
    ],
)
@pytest.mark.shows("S-03")
def test_another_content_is_not_covered(actor_of: Any, clinician: Any, change: Any) -> None:
    signature = sign(actor_of(clinician), clinician)
    assert signature.covers(content_hash(dict(reversed(CONTENT.items()))))
    assert not signature.covers(content_hash({**CONTENT, **change}))
    assert not signature.covers(content_hash({"decision": "eligible"}))


def test_a_stored_signature_still_fits_its_own_content(actor_of: Any, clinician: Any) -> None:
    """The database gives back the same JSON: numbers and letters survive the way there and back."""
    signature = Signature.objects.get(pk=sign(actor_of(clinician), clinician).pk)
    assert signature.covers(content_hash(signature.content))


def test_the_void_one_is_shown_as_void(actor_of: Any, clinician: Any) -> None:
    from django.template.loader import render_to_string

    signature = sign(actor_of(clinician), clinician)
    shown = render_to_string("parts/signature.html", {"signature": signature, "void": True})
    assert "void: the content changed since" in shown
    assert "Milo Hartwell" in shown
    assert "void" not in render_to_string("parts/signature.html", {"signature": signature})


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE people_signature SET printed_name = 'Somebody Else'",
        "UPDATE people_signature SET content = '{}'",
        "DELETE FROM people_signature",
    ],
)
@pytest.mark.shows("S-03")
def test_a_signature_stays_as_it_was_given(actor_of: Any, clinician: Any, sql: str) -> None:
    sign(actor_of(clinician), clinician)
    with (
        pytest.raises(DatabaseError, match="Cannot update or delete"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)
