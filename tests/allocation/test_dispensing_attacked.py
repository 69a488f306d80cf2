"""The wrong kit, the wrong second person, a number read wrongly: refused, and real mistakes recorded."""

from typing import Any

import pytest

from studylab.access import Role
from studylab.allocation import services
from studylab.allocation.models import Kit
from studylab.codes import ALPHABET, normalise
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Deviation
from tests import cast
from tests.allocation import helpers

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("B-05")
def test_kit_numbers_of_two_studies_never_meet_and_carry_no_order(
    stocked: Any, pharmacist: Any
) -> None:
    helpers.receive(stocked, pharmacist, "active", "B-03", 200)
    numbers = list(
        Kit.objects.filter(batch__label="B-03").order_by("id").values_list("number", flat=True)
    )
    assert len(set(numbers)) == 200
    assert numbers not in (sorted(numbers), sorted(numbers, reverse=True))


def test_one_wrong_or_two_swapped_characters_are_refused(
    numbered: Any, pharmacist: Any, experimenter: Any
) -> None:
    """Every single wrong character and every swap of neighbours, as ISO/IEC 7064 MOD 37-2 promises."""
    kit = helpers.prepare(numbered, pharmacist)
    plain = kit.number.replace("-", "")
    wrong = {plain[:i] + c + plain[i + 1 :] for i in range(7) for c in ALPHABET} - {plain}
    swapped = {plain[:i] + plain[i + 1] + plain[i] + plain[i + 2 :] for i in range(6)} - {plain}
    sample = sorted(wrong)[::23] + sorted(swapped)
    for text in sample:
        with pytest.raises(Refused, match=r"check character|never contain") as refusal:
            helpers.dispense(numbered, text, pharmacist, experimenter)
        assert refusal.value.code == "kit_unreadable"
    kit.refresh_from_db()
    assert kit.state == Kit.State.PREPARED
    assert not Deviation.objects.exists()


def test_a_returned_kit_anothers_kit_and_a_kit_of_another_study_are_near_misses(
    numbered: Any,
    clinician: Any,
    coordinator: Any,
    pharmacist: Any,
    experimenter: Any,
    actor_of: Any,
) -> None:
    back = helpers.prepare(numbered, pharmacist)
    services.kit_return(kit=back, reason="The label was torn", actor=actor_of(pharmacist))
    mine = helpers.prepare(numbered, pharmacist)
    ben = helpers.ready(numbered.study, clinician, 2)
    helpers.issue(ben, coordinator)
    bens = helpers.prepare(ben, pharmacist)
    other = cast.make_study(slug="second-study", prefix="HT")
    chemist = cast.make_user("Pia Holm")
    cast.join(chemist, other, Role.PHARMACIST)
    elsewhere = helpers.receive(other, chemist, "active", "Z-1", 1).kits.get()
    for kit in (back, bens, elsewhere):
        with pytest.raises(Refused, match="not the one prepared") as refusal:
            helpers.dispense(numbered, kit, pharmacist, experimenter)
        assert refusal.value.code == "kit_wrong"
        assert Deviation.objects.filter(kind="kit", subject=f"kit {kit.number}").count() == 1
    sheet = f"sheet {numbered.code} 001"
    with pytest.raises(Refused):
        helpers.dispense(numbered, sheet, pharmacist, experimenter)
    assert helpers.dispense(numbered, mine, pharmacist, experimenter).number == normalise(
        mine.number
    )


@pytest.mark.shows("D-07")
def test_the_second_person_is_another_member_with_their_own_password(
    numbered: Any, pharmacist: Any, experimenter: Any, outsider: Any, actor_of: Any
) -> None:
    kit = helpers.prepare(numbered, pharmacist)
    with pytest.raises(Refused, match="somebody else"):
        helpers.dispense(numbered, kit, pharmacist, pharmacist)
    with pytest.raises(Refused, match="Nobody with this e-mail address"):
        helpers.dispense(numbered, kit, pharmacist, outsider)
    with pytest.raises(Refused, match="second person's password"):
        services.kit_dispense(
            participant=numbered, kit_number=kit.number, second_email=experimenter.email,
            second_password="guess", visit_uid=None, actor=actor_of(pharmacist),
        )  # fmt: skip
    kit.refresh_from_db()
    assert kit.state == Kit.State.PREPARED
    with pytest.raises(NotAllowed):
        services.kit_dispense(
            participant=numbered, kit_number=kit.number, second_email=pharmacist.email,
            second_password=cast.PASSWORD, visit_uid=None, actor=actor_of(experimenter),
        )  # fmt: skip
