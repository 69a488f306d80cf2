"""The dispensary's pages in use, and the page that is needed at night."""

from typing import Any

import pytest
from django.urls import reverse

from studylab.allocation.models import AllocationList, Kit, KitBatch, KitMovement, Reveal
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def at(study: Any, name: str, **more: str) -> str:
    return reverse(name, kwargs={"study": study.slug, **more})


def text_of(answer: Any) -> str:
    return answer.content.decode()


def test_the_pharmacist_seals_after_seeing_how_guessable_the_list_is(
    study: Any, confirmed: Any, pharmacist: Any, client_of: Any
) -> None:
    """Shares of right guesses for blocks of 4 and 8: 17/24 and 373/560 (Blackwell and Hodges 1957)."""
    client = client_of(pharmacist)
    page = text_of(client.get(at(study, "list_seal")))
    assert "70.8 %" in page
    assert "(17/24)" in page
    assert "(373/560)" in page
    assert "57.9 %" in page or "58.0 %" in page  # the big stick beside it, for 60 numbers
    address, choice = at(study, "list_seal"), {"method": "permuted_blocks", "block_sizes": "8, 12"}
    bad = client.post(address, {**choice, "act": "look", "block_sizes": "6"})
    assert bad.status_code == 422
    assert "6 is not a multiple of 4" in text_of(bad)
    looked = text_of(client.post(address, {**choice, "act": "look"}))
    assert 'value="8, 12"' in looked
    assert "(3565/5544)" in looked
    wrong = client.post(address, {**choice, "password": "not this one"})
    assert wrong.status_code == 422
    assert not AllocationList.objects.exists()
    done = client.post(address, {**choice, "password": cast.PASSWORD})
    assert done.status_code == 302
    sealed = AllocationList.objects.get()
    assert sealed.commitment in text_of(client.get(at(study, "commitment")))
    assert "8, 12" in text_of(client.get(address))
    again = client.post(address, {**choice, "password": cast.PASSWORD})
    assert again.status_code == 409


def test_no_list_before_the_limits_are_confirmed(
    study: Any, pharmacist: Any, client_of: Any
) -> None:
    given = {"password": cast.PASSWORD, "method": "simple"}
    answer = client_of(pharmacist).post(at(study, "list_seal"), given)
    assert answer.status_code == 422
    assert not AllocationList.objects.exists()


RECEIVED = {
    "arm_key": "active", "label": "B-07", "usable_until": "2031-12-31", "storage": "dry, locked",
    "form": "one hard capsule with one tablet inside, or a look-alike placebo capsule",
    "units_per_kit": "1", "strength_mg": "40", "quantity": "6",
}  # fmt: skip


def test_kits_are_received(study: Any, pharmacist: Any, client_of: Any) -> None:
    answer = client_of(pharmacist).post(at(study, "kits_receive"), RECEIVED)
    assert answer.status_code == 302
    assert Kit.objects.filter(state="in_stock", batch__label="B-07").count() == 6
    assert KitMovement.objects.filter(what="receive").count() == 6


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("strength_mg", "10", "new protocol version"),
        ("strength_mg", "80", "new protocol version"),
        ("units_per_kit", "4", "new protocol version"),
        ("form", "another", "new protocol version"),
        ("form", "", "required"),
        ("quantity", "501", "500"),
        ("quantity", "0", "1"),
        ("usable_until", "2020-01-01", "past their date"),
        ("usable_until", "soon", "valid date"),
        ("arm_key", "third", "valid choice"),
        ("label", "Placebo 3", "could tell what the kits hold"),
        ("storage", "on the PROPRANOLOL shelf", "could tell what the kits hold"),
        ("label", "", "required"),
    ],
)
def test_kits_of_another_kind_are_refused(
    study: Any, pharmacist: Any, client_of: Any, field: str, value: str, says: str
) -> None:
    answer = client_of(pharmacist).post(at(study, "kits_receive"), {**RECEIVED, field: value})
    assert answer.status_code == 422
    assert says in text_of(answer)
    assert not KitBatch.objects.exists()


def test_dispensary_from_number_to_hand_out(
    numbered: Any, pharmacist: Any, experimenter: Any, client_of: Any
) -> None:
    study, client = numbered.study, client_of(pharmacist)
    page = text_of(client.get(at(study, "dispensary")))
    assert numbered.code in page
    sheet = client.post(at(study, "kit_prepare", code=numbered.code), follow=True)
    kit = Kit.objects.get(state="prepared")
    body = text_of(sheet)
    assert kit.number[:-1] in body
    # The whole number stands in the address of the label only, never on the sheet's face.
    assert f">{kit.number}<" not in body
    label = text_of(client.get(at(study, "kit_label", number=kit.number)))
    assert kit.number in label
    assert "<svg" in label
    assert " style=" not in label + body
    twice = client.post(at(study, "kit_prepare", code=numbered.code), follow=True)
    assert "prepared for this number already" in text_of(twice)
    form = {
        "kit_number": kit.number,
        "second_email": experimenter.email,
        "second_password": "wrong",
    }
    wrong = client.post(at(study, "kit_dispense", code=numbered.code), form)
    assert wrong.status_code == 422
    assert "second person&#x27;s password" in text_of(wrong)
    form["second_password"] = cast.PASSWORD
    done = client.post(at(study, "kit_dispense", code=numbered.code), form)
    assert done.status_code == 302
    kit.refresh_from_db()
    assert kit.state == "dispensed"
    for name, more in (
        ("dispensary", {}), ("reconciliation", {}), ("kit", {"number": kit.number}),
        ("kit_dispense", {"code": numbered.code}), ("kits_receive", {}), ("list_seal", {}),
    ):  # fmt: skip
        assert client.get(at(study, name, **more)).status_code == 200


@pytest.mark.parametrize("what", ["quarantine", "destroy"])
def test_kits_are_put_aside_with_a_reason(
    stocked: Any, pharmacist: Any, client_of: Any, what: str
) -> None:
    kit, client = Kit.objects.first(), client_of(pharmacist)
    address = at(stocked, "kit_put", number=kit.number, what=what)
    assert client.post(address, {"reason": " "}).status_code == 422
    assert client.post(address, {"reason": "placebo was too warm"}).status_code == 422
    assert client.post(address, {"reason": "Fridge failed overnight"}).status_code == 302
    kit.refresh_from_db()
    assert kit.state == {"quarantine": "quarantined", "destroy": "destroyed"}[what]
    assert client.get(at(stocked, "kit_put", number=kit.number, what="eat")).status_code == 404


@pytest.mark.shows("U-01")
def test_a_clinician_opens_one_code_on_one_page(
    numbered: Any, clinician: Any, client_of: Any
) -> None:
    study, client = numbered.study, client_of(clinician)
    address = at(study, "code_open", code=numbered.code)
    page = text_of(client.get(address))
    for words in ("911", "+1 902 555 0143", "Atropine", "supervising physician"):
        assert words in page
    assert not Reveal.objects.exists()
    form = {"purpose": "treat", "reason": "Collapse", "told": "Dr Roe, hospital", "password": "no"}
    for bad in (form, {**form, "password": cast.PASSWORD, "reason": ""}):
        answer = client.post(address, bad)
        assert answer.status_code == 422
    assert not Reveal.objects.exists()
    answer = client.post(address, {**form, "password": cast.PASSWORD})
    body = text_of(answer)
    shown = [name for name in ("Propranolol 40 mg", "Placebo") if f'opened-arm">{name}<' in body]
    assert len(shown) == 1
    assert shown[0] not in body.partition("</title>")[0]
    assert "no-store" in answer.headers["Cache-Control"]
    assert Reveal.objects.count() == 1
    # There is no second look without a second opening.
    assert 'class="opened-arm"' not in text_of(client.get(address))


@pytest.mark.shows("U-05")
def test_nobody_learns_the_arm_from_the_list_of_openings(
    numbered: Any, clinician: Any, client_of: Any, request: pytest.FixtureRequest
) -> None:
    form = {"purpose": "treat", "reason": "Collapse", "told": "Dr Roe", "password": cast.PASSWORD}
    client_of(clinician).post(at(numbered.study, "code_open", code=numbered.code), form)
    for who in ("lead", "pharmacist", "clinician", "monitor"):
        answer = client_of(request.getfixturevalue(who)).get(at(numbered.study, "reveals"))
        assert numbered.code in text_of(answer)
        assert "lacebo" not in text_of(answer)
        assert "ropranolol" not in text_of(answer)
    for who in ("coordinator", "experimenter"):
        answer = client_of(request.getfixturevalue(who)).get(at(numbered.study, "reveals"))
        assert answer.status_code == 403


def test_no_code_without_a_number(stocked: Any, clinician: Any, client_of: Any) -> None:
    person = helpers.ready(stocked, clinician)
    client = client_of(clinician)
    page = client.get(at(stocked, "code_open", code=person.code))
    assert "no allocation number" in text_of(page)
    form = {"purpose": "treat", "reason": "Collapse", "told": "Dr Roe", "password": cast.PASSWORD}
    assert client.post(at(stocked, "code_open", code=person.code), form).status_code == 422
    assert client.get(at(stocked, "code_open", code="SL-00001Z")).status_code == 404
