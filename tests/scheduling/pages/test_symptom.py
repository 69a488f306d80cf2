"""Somebody is unwell: mild complaints go on to the log of events, a red flag to the emergency page."""

import re
from collections.abc import Callable

import pytest

from scheduling.views.leaving import RED_FLAGS
from studylab.participants.models import AdverseEvent, Hold
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
PagesOf = Callable[[Case], Pages]


def test_a_mild_complaint_leads_to_its_entry_in_the_log(dosed: Case, pages_of: PagesOf) -> None:
    pages = pages_of(dosed)
    answer = pages.post(pages.visit_url("symptom", 2), {"symptoms": ["headache"]})
    hold = Hold.objects.get(kind="symptom", released_at=None)
    assert answer.status_code == 302
    assert answer["Location"].startswith(f"{pages.url('event_add')}?hold={hold.uid}&")
    page = pages.text(answer["Location"])
    assert "Symptom: headache." in page
    assert dosed.participant.code in page
    assert not AdverseEvent.objects.exists()  # the words are somebody's to choose


@pytest.mark.parametrize("flag", sorted(RED_FLAGS))
def test_a_red_flag_leads_to_whom_to_call(dosed: Case, pages_of: PagesOf, flag: str) -> None:
    pages = pages_of(dosed)
    answer = pages.post(
        pages.visit_url("symptom", 2), {"red_flags": [flag], "symptoms": ["headache"]}
    )
    assert answer["Location"] == pages.visit_url("emergency", 2)
    assert Hold.objects.filter(kind="symptom", released_at=None).count() == 1
    if flag != "faint":
        return
    page = pages.text(answer["Location"])
    assert re.search(r'href="tel:\+?\d+"', page)
    assert "propranolol 1 × 40 mg or a placebo" in page
    assert "Last values" in page
    assert "A clinician can open the code alone" in page
    assert "Open the code" in pages.text(answer["Location"], "clinician")


def test_the_button_stands_on_the_sheet_and_on_today(dosed: Case, pages_of: PagesOf) -> None:
    pages = pages_of(dosed)
    for page in (pages.visit_url("visit", 2), pages.url("today")):
        assert f'href="{pages.visit_url("symptom", 2)}"' in pages.text(page)
