"""What stands behind a button is sent once: reloading a page that came as an answer looks, and records nothing."""

from collections.abc import Callable

import pytest

from scheduling.models import Dose
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db]
PagesOf = Callable[[Case], Pages]


@pytest.mark.parametrize(
    ("name", "to"),
    [("visit_start", "visit"), ("visit_finish", "visit"), ("dose_give", "dose")],
)
def test_address_of_a_form_leads_to_its_page(
    booked: Case, pages_of: PagesOf, name: str, to: str
) -> None:
    pages = pages_of(booked)
    answer = pages.get(pages.visit_url(name, 2))
    assert (answer.status_code, answer.headers["Location"]) == (302, pages.visit_url(to, 2))
    assert booked.visit(2).state == "booked"
    assert Dose.objects.count() == 0


def test_checking_out_is_nothing_to_reload(booked: Case, pages_of: PagesOf) -> None:
    pages = pages_of(booked)
    answer = pages.get(pages.url("cover_out"), "clinician")
    assert (answer.status_code, answer.headers["Location"]) == (302, pages.url("today"))


def test_refused_dose_never_goes_off_by_itself(booked: Case, pages_of: PagesOf) -> None:
    """The gate is looked at again by itself; when it opens, a page that holds a sent dose is not sent again."""
    pages = pages_of(booked)
    looked = pages.get(pages.visit_url("dose", 2)).content.decode()
    assert "data-answers-form" not in looked
    assert "shown=shut" in looked
    refused = pages.post(pages.visit_url("dose_give", 2), {"kit_number": "", "count": "1"})
    assert refused.status_code == 422
    text = refused.content.decode()
    assert "<body data-answers-form" in text
    assert (
        "shown=shut" not in text
    )  # what would make the browser load, and so send, the page once more
    assert Dose.objects.count() == 0
