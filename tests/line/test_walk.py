"""From the enquiry to completion, in a browser, by the screens alone, as the people of the lab."""

from typing import Any

import pytest

from tests.line import before_visits as before
from tests.line import dosing, visits

pytestmark = [
    pytest.mark.browser, pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]  # fmt: skip


def test_one_volunteer_walks_the_whole_line(open_lab: Any) -> None:
    with open_lab() as lab:
        for stage in (
            before.confirm_limits, before.fill_the_dispensary, before.enquiry, before.questionnaire,
            before.consent, before.screening_vitals, before.sign_off, before.book,
            visits.visit_1, dosing.gate_is_shut, dosing.cover, dosing.emergency_kit, dosing.hand_out,
            dosing.before_the_dose, dosing.dose, dosing.wait, dosing.after_the_wait,
            visits.contact, visits.visit_3, visits.completed,
        ):  # fmt: skip
            stage(lab)
        assert lab.watch.wrong == []
