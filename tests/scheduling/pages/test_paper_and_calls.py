"""Paper for a visit, somebody who calls about a volunteer, and the order of trials: what the pages show and refuse."""

from collections.abc import Callable

import pgtrigger
import pytest

from scheduling.models import WalletCard
from studylab.participants.models import Participant
from studylab.participants.selectors import contact_details
from studylab.studies.selectors import current_protocol
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db]
PagesOf = Callable[[Case], Pages]


@pytest.mark.shows("A-16", "A-22")
def test_the_pack_labels_and_card_carry_codes_and_no_names(dosed: Case, pages_of: PagesOf) -> None:
    pages, code = pages_of(dosed), dosed.participant.code
    details = contact_details(dosed.participant.person)
    assert details is not None
    shown = [
        pages.text(pages.visit_url("visit_pack", 2)),
        pages.text(pages.visit_url("visit_labels", 2) + "?count=3"),
        pages.text(pages.url("wallet_card", code)),
    ]
    for page in shown:
        assert code in page
        assert details.family_name not in page
    assert "Code of the day" in shown[0]
    assert shown[1].count("<svg") >= 3
    assert "In an emergency treat me as if I had taken it." in shown[2]
    refused = pages.get(pages.visit_url("visit_labels", 2) + "?count=400")
    assert refused.status_code == 422
    assert "At most 40 at a time." in refused.content.decode()


def test_the_card_speaks_the_volunteers_language(booked: Case, pages_of: PagesOf) -> None:
    Participant.objects.filter(pk=booked.participant.pk).update(language="fr-ca")
    pages = pages_of(booked)
    page = pages.text(pages.url("wallet_card", booked.participant.code))
    assert "traitez-moi comme si je l’avais pris" in page
    assert 'lang="fr-ca"' in page


def test_a_card_with_old_numbers_is_printed_again(booked: Case, pages_of: PagesOf) -> None:
    """Field case F-38: the numbers on the card changed; who carries the old ones is listed."""
    pages, code = pages_of(booked), booked.participant.code
    card, home = pages.url("wallet_card", code), pages.url("home")
    handed = pages.url("wallet_card_handed", code)
    assert pages.post(handed, {}, "lead").status_code == 403
    assert pages.post(handed, {}).status_code == 302
    assert "handed over" in pages.text(card)
    assert "Wallet cards to print again" not in pages.text(home)
    plan = current_protocol(booked.study).plan
    with pgtrigger.ignore("scheduling.WalletCard:append_only"):
        WalletCard.objects.update(numbers=f"{plan.emergency_number} / +1 902 555 0000")
    assert "carries old telephone numbers" in pages.text(card)
    assert "Wallet cards to print again" in pages.text(home)
    assert pages.post(handed, {}).status_code == 302
    assert "carries old" not in pages.text(card)
    assert "Wallet cards to print again" not in pages.text(home)


def test_a_call_leads_to_one_page_with_everything(dosed: Case, pages_of: PagesOf) -> None:
    pages = pages_of(dosed)
    found = pages.post(pages.url("look_up"), {"code": dosed.participant.code}, "coordinator")
    assert found["Location"] == pages.visit_url("emergency", 2)
    page = pages.text(found["Location"], "clinician")
    for words in ("propranolol 1 × 40 mg or a placebo", "Last values", "/", "Open the code"):
        assert words in page
    nobody = pages.post(pages.url("look_up"), {"code": "HB-0000"}, "coordinator")
    assert "nobody found" in nobody.content.decode()
    empty = pages.post(pages.url("look_up"), {}, "coordinator")
    assert empty.status_code == 422
    assert "Enter the code or the birth date." in empty.content.decode()
    assert pages.get(pages.url("look_up"), "monitor").status_code == 403
