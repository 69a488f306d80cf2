"""The dose page beside its form."""

from collections.abc import Callable

import pytest

from studylab.studies.selectors import current_protocol
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.shows("D-08")
@pytest.mark.parametrize("role", ["experimenter", "clinician", "monitor"])
def test_how_to_handle_and_store_stands_on_the_dose_page(
    ready: Case, pages_of: Callable[[Case], Pages], role: str
) -> None:
    pages, supply = pages_of(ready), current_protocol(ready.study).plan.supply
    text = pages.text(pages.visit_url("dose", 2), role)
    assert f"{supply.storage}, until it is swallowed" in text
    assert supply.form in text
    for said in ("Never opened, halved", "Put the kit aside", "pharmacy’s own instructions differ"):
        assert said in text
