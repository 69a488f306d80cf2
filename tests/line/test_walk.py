"""From the enquiry to the booked series, in a browser, by the screens alone, as the people of the lab."""

from typing import Any

import pytest

from tests.line import before_visits as before

pytestmark = [
    pytest.mark.browser, pytest.mark.database, pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]  # fmt: skip


def test_one_volunteer_walks_from_enquiry_to_booking(open_lab: Any) -> None:
    with open_lab() as lab:
        for stage in (
            before.confirm_limits, before.fill_the_dispensary, before.enquiry, before.questionnaire,
            before.consent, before.screening_vitals, before.sign_off, before.book,
        ):  # fmt: skip
            stage(lab)
        assert lab.watch.wrong == []
