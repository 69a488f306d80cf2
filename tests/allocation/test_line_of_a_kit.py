"""A kit's way from receipt to the dose, and the code that is opened afterwards."""

import uuid
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.allocation import selectors, services
from studylab.allocation.models import Kit, KitMovement, Reveal
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Deviation
from studylab.participants.services.ends import participant_withdraw
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("D-02")
def test_a_kit_goes_from_stock_to_the_volunteer(
    numbered: Any, pharmacist: Any, experimenter: Any, second_experimenter: Any, actor_of: Any
) -> None:
    assert selectors.kit_fact(numbered) == selectors.KitState()
    kit = helpers.prepare(numbered, pharmacist)
    fact = selectors.kit_fact(numbered)
    assert (fact.number, fact.prepared, fact.dispensed) == (kit.number, True, False)
    helpers.dispense(numbered, kit.number.lower().replace("-", " "), pharmacist, experimenter)
    fact = selectors.kit_fact(numbered)
    assert (fact.prepared, fact.dispensed, fact.for_number) == (False, True, "001")
    services.kit_given(
        kit=kit, participant=numbered, second=second_experimenter, visit_uid=uuid.uuid4(),
        at=clock.now(), actor=actor_of(experimenter),
    )  # fmt: skip
    kit.refresh_from_db()
    assert kit.state == Kit.State.GIVEN
    lines = list(kit.movements.order_by("id").values_list("what", flat=True))
    assert lines == ["receive", "prepare", "dispense", "give"]
    assert selectors.kit_amount(selectors.kit_for_number(numbered.study, kit.number)).count == 1


def test_a_wrong_kit_is_refused_and_stays_on_record(
    numbered: Any, pharmacist: Any, experimenter: Any
) -> None:
    prepared = helpers.prepare(numbered, pharmacist)
    other = Kit.objects.exclude(pk=prepared.pk).first()
    with pytest.raises(Refused, match="not the one prepared") as refusal:
        helpers.dispense(numbered, other, pharmacist, experimenter)
    assert refusal.value.field == "kit_number"
    assert Event.objects.filter(action="kit.refused", subject_code=other.number).count() == 1
    deviation = Deviation.objects.get(kind="kit", participant=numbered)
    assert other.number in deviation.what
    assert deviation.found_by_system
    prepared.refresh_from_db()
    assert prepared.state == Kit.State.PREPARED


@pytest.mark.shows("U-04", "U-09")
def test_an_opened_code_is_on_record_and_ends_dosing(
    numbered: Any, pharmacist: Any, clinician: Any, experimenter: Any, actor_of: Any
) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    opened = services.code_open(
        participant=numbered, kind="emergency", reason="Collapsed on the stairs", told="Dr Roe, hospital",
        password=cast.PASSWORD, actor=actor_of(clinician),
    )  # fmt: skip
    assert opened.arm_name in {"Propranolol 40 mg", "Placebo"}
    assert Reveal.objects.get().participant == numbered
    assert Deviation.objects.filter(kind="code", participant=numbered).count() == 1
    assert numbered.holds.filter(released_at=None).count() == 1
    assert selectors.kit_fact(numbered).stopped
    with pytest.raises(Refused, match="Ask the supervising physician"):
        helpers.dispense(numbered, kit, pharmacist, experimenter)


@pytest.mark.parametrize("who", ["coordinator", "experimenter", "pharmacist", "lead", "monitor"])
def test_only_clinicians_open_codes(
    numbered: Any, actor_of: Any, who: str, request: pytest.FixtureRequest
) -> None:
    with pytest.raises(NotAllowed):
        services.code_open(
            participant=numbered, kind="emergency", reason="r", told="t", password=cast.PASSWORD,
            actor=actor_of(request.getfixturevalue(who)),
        )  # fmt: skip
    assert not Reveal.objects.exists()


def test_a_quarantined_kit_makes_room_for_another(
    numbered: Any, pharmacist: Any, actor_of: Any
) -> None:
    first = helpers.prepare(numbered, pharmacist)
    services.kit_quarantine(kit=first, reason="Too warm overnight", actor=actor_of(pharmacist))
    assert selectors.kit_fact(numbered).quarantined
    second = helpers.prepare(numbered, pharmacist)
    assert second.pk != first.pk
    assert selectors.kit_fact(numbered).number == second.number
    services.kit_release(
        kit=first, reason="Within the range of the maker", actor=actor_of(pharmacist)
    )
    first.refresh_from_db()
    assert (first.state, first.entry) == (Kit.State.IN_STOCK, None)
    assert KitMovement.objects.filter(kit=first).count() == 4


def test_whoever_leaves_keeps_the_number_and_the_kit_is_taken_back(
    numbered: Any, pharmacist: Any, coordinator: Any, actor_of: Any, client_of: Any
) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    done = participant_withdraw(
        participant=numbered, reason="Moved away", actor=actor_of(coordinator)
    )
    assert "Number 001 stays theirs and is issued to nobody else." in done
    assert f"Kit {kit.number} is on the pharmacist's list to be taken back." in done
    address = reverse("dispensary", kwargs={"study": numbered.study.slug})
    assert "take back" in client_of(pharmacist).get(address).content.decode()
    services.kit_return(kit=kit, reason="Volunteer withdrew", actor=actor_of(pharmacist))
    with pytest.raises(Refused, match="withdrawn"):
        helpers.prepare(numbered, pharmacist)
