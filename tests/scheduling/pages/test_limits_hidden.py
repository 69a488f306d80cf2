"""Field case F-54: where a value begins to matter is not beside the field, and is told once the value stands."""

from collections.abc import Callable

import pytest

from scheduling.rules.step_values import is_low
from studylab.studies.rules.protocol import Step
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.beginning import MINUTE
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_an_interim_pulse_is_typed_without_its_limit_and_judged_at_once(
    dosed: Case, pages_of: Callable[[Case], Pages]
) -> None:
    pages = pages_of(dosed)
    dosed.step(2, "settled", {"done": True})
    sheet = pages.visit_url("visit", 2)
    dosed.t += 30 * MINUTE
    before = pages.text(sheet)
    assert "Pulse about 30 minutes after the dose" in before
    assert "elow 50" not in before
    dosed.step(2, "pulse_30", {"value": 50})
    assert "elow 50" not in pages.text(sheet)
    dosed.t += 30 * MINUTE
    dosed.step(2, "pulse_60", {"value": 49})
    assert "Below 50: call the physician now." in pages.text(sheet)


@pytest.mark.parametrize(
    ("value", "low"), [(49.9, True), (50, False), ("49,5", True), ("", False), (None, False)]
)
def test_the_number_itself_is_not_below(value: object, low: bool) -> None:
    step = Step("pulse", "number", "Pulse", minimum=30, maximum=220, call_below=50)
    assert is_low(step, value) is low
    assert not is_low(Step("pulse", "number", "Pulse", minimum=30, maximum=220), value)
