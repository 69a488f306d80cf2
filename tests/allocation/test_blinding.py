"""Arms learnt by accident, guesses, practised openings and paper cards: on record, and never an arm in it."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.allocation import gates, services
from studylab.allocation.gates import CannotOpen
from studylab.allocation.models import CardLine, CodeCard, Drill, Guess, Learnt, Reveal
from studylab.allocation.selectors import kit_fact
from studylab.allocation.selectors.blinding import drill_valid_until, guesses_missing
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Deviation
from studylab.studies.models import Study
from tests import cast
from tests.allocation.raw_sql import refused_by_database

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def at(study: Any, name: str, **more: Any) -> str:
    return reverse(name, kwargs={"study": study.slug, **more})


# --- Learnt by accident -------------------------------------------------------------------------------


@pytest.mark.shows("U-06")
def test_an_arm_learnt_by_accident_is_a_deviation_without_the_arm(
    numbered: Any, experimenter: Any, lead: Any, client_of: Any
) -> None:
    client, page = client_of(experimenter), at(numbered.study, "learnt_add", code=numbered.code)
    form = {
        "who": "experimenter", "names": "Edda Marlow", "certain": "no",
        "how": "Very slow pulse after the capsule", "effect": "Sten Aldous measures from now on",
        "occurred_at": clock.now().astimezone(numbered.study.zone).strftime("%Y-%m-%dT%H:%M"),
    }  # fmt: skip
    telling = client.post(page, {**form, "how": "It must be Propranolol"})
    assert telling.status_code == 422
    assert "without naming an arm" in telling.content.decode()
    assert not Learnt.objects.exists()
    assert client.post(page, form).status_code == 302
    deviation = Deviation.objects.get()
    assert "believes to know the arm" in deviation.what
    shown = client_of(lead).get(at(numbered.study, "reveals")).content.decode()
    assert "Very slow pulse" in shown
    refused_by_database("UPDATE allocation_learnt SET certain = true")


# --- Guesses ------------------------------------------------------------------------------------------


def guess(person: Any, user: Any, place: int, teller: str = "volunteer", **more: Any) -> Guess:
    given = {"sure": 60, "why": "heart felt calm"} | more
    return services.guess_record(
        participant=person, teller=teller, arm_place=place,
        actor=cast.actor_of(user, person.study), **given,
    )  # fmt: skip


def test_a_guess_is_asked_once_and_shown_to_nobody(
    numbered: Any, coordinator: Any, experimenter: Any, lead: Any, monitor: Any, client_of: Any
) -> None:
    for place, more, field in (
        (3, {}, "arm_place"), (1, {"sure": 101}, "sure"), (1, {"why": "tasted of placebo"}, "why"),
    ):  # fmt: skip
        with pytest.raises(Refused) as refusal:
            guess(numbered, coordinator, place, **more)
        assert refusal.value.field == field
    with pytest.raises(NotAllowed):
        guess(numbered, lead, 1)
    assert guesses_missing(numbered, "after") == ["volunteer", "experimenter"]
    guess(numbered, coordinator, 1)
    assert guess(numbered, experimenter, 0, "experimenter").sure == 0
    assert guesses_missing(numbered, "after") == []
    assert guesses_missing(numbered, "before") == ["volunteer", "experimenter"]
    guess(numbered, coordinator, 2, stage="before")
    assert guesses_missing(numbered, "before") == ["experimenter"]
    with pytest.raises(Conflict, match="asked once"):
        guess(numbered, coordinator, 2)
    for who in (lead, monitor, coordinator):
        client = client_of(who)
        for name in ("home", "safety", "reveals", "record", "volunteer"):
            more = {"code": numbered.code} if name == "volunteer" else {}
            shown = client.get(at(numbered.study, name, **more)).content.decode()
            assert "heart felt calm" not in shown


# --- Practice -----------------------------------------------------------------------------------------


def test_practice_counts_for_ninety_days_and_until_a_number_changes(
    study: Study, confirmed: Any, clinician: Any, experimenter: Any, client_of: Any
) -> None:
    client, page = client_of(clinician), at(study, "drill")
    begun = client.get(page).context["form"].initial["began"]
    form = {"began": begun, "reason": "Practice", "told": "Dr Roe", "outside": "on"}
    assert client.post(page, {**form, "password": "wrong"}).status_code == 422
    assert not Drill.objects.exists()
    done = client.post(page, {**form, "password": cast.PASSWORD})
    assert "Practice only: no capsule" in done.content.decode()
    assert not Reveal.objects.exists()
    drill = Drill.objects.get()
    assert drill.outside
    assert drill_valid_until(study, clinician.pk) == drill.ended_at + timedelta(days=90)
    assert drill_valid_until(study, experimenter.pk) is None
    assert client_of(experimenter).get(page).status_code == 403
    from studylab.studies.models import ProtocolVersion
    from studylab.studies.rules.loader import protocol_hash

    text = confirmed.document.replace("+1 902 555 0143", "+1 902 555 0177")
    assert text != confirmed.document
    ProtocolVersion.objects.create(
        study=study, number=2, document=text, sha256=protocol_hash(text), added_at=cast.PAST
    )
    cast.confirm_limits(study, clinician)
    assert drill_valid_until(study, clinician.pk) is None


# --- Paper cards --------------------------------------------------------------------------------------


def cards_print(study: Any, pharmacist: Any, **more: Any) -> Any:
    given = {"kept": "Safe at the porter's desk", "password": cast.PASSWORD} | more
    return services.cards_print(study=study, actor=cast.actor_of(pharmacist, study), **given)


@pytest.mark.shows("U-02")
def test_cards_are_printed_once_and_what_becomes_of_each_is_on_record(
    numbered: Any, pharmacist: Any, clinician: Any, lead: Any, client_of: Any
) -> None:
    study = numbered.study
    with pytest.raises(NotAllowed):
        cards_print(study, clinician)
    with pytest.raises(Refused, match="could tell"):
        cards_print(study, pharmacist, kept="beside the placebo")
    client = client_of(pharmacist)
    shown = client.post(
        at(study, "cards_print"), {"kept": "Porter's safe", "password": cast.PASSWORD}
    ).content.decode()
    card = CodeCard.objects.get()
    arm = gates.entry_to_verify(card.entry)
    assert {"active": "Propranolol 40 mg", "placebo": "Placebo"}[arm] in shown
    assert card.serial in shown
    with pytest.raises(Refused, match="has its card"):
        cards_print(study, pharmacist)
    log = client_of(lead).get(at(study, "cards")).content.decode()
    assert card.serial in log
    assert "lacebo" not in log + repr(card)
    assert "ropranolol" not in log
    with pytest.raises(CannotOpen):  # made by somebody else
        gates.arm_for_card(card, actor=cast.actor_of(cast.second_pharmacist(study), study))
    opened = {
        "at": clock.now().astimezone(study.zone).strftime("%Y-%m-%dT%H:%M:%S"),
        "reason": "Collapse during the power cut", "told": "Dr Roe", "password": cast.PASSWORD,
    }  # fmt: skip
    page = at(study, "card_opened", serial=card.serial)
    answer = client_of(clinician).post(page, opened)
    assert answer.status_code == 302, answer.content.decode()
    assert "lacebo" not in answer.content.decode()
    assert CardLine.objects.get().reveal == Reveal.objects.get()
    assert kit_fact(numbered).stopped
    assert Deviation.objects.filter(what__contains="paper card").exists()
    with pytest.raises(CannotOpen):  # the card's opening opens nothing on screen
        gates.arm_of(Reveal.objects.get(), actor=cast.actor_of(clinician, study))
    with pytest.raises(Conflict):
        services.card_settle(
            card=card, what="destroyed", note="shredded", actor=cast.actor_of(pharmacist, study)
        )


def test_a_destroyed_card_makes_room_for_another(numbered: Any, pharmacist: Any) -> None:
    study, actor = numbered.study, cast.actor_of(pharmacist, numbered.study)
    (first,) = cards_print(study, pharmacist)
    assert "arm_name" not in repr(first)
    services.card_settle(card=first.card, what="destroyed", note="Misprint", actor=actor)
    (second,) = cards_print(study, pharmacist)
    assert second.card.serial != first.card.serial
    refused_by_database("DELETE FROM allocation_codecard")


def test_a_failed_write_prints_nothing(
    numbered: Any, pharmacist: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from studylab.allocation.services import cards

    shown: list[Any] = []
    monkeypatch.setattr(cards, "arm_for_card", lambda *a, **k: shown.append(a))
    monkeypatch.setattr(cards, "audit", lambda **_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        cards_print(numbered.study, pharmacist)
    assert shown == []
