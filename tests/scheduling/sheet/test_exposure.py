"""Who has looked at values from after the dose does not rate the volunteer later, or says why."""

from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.services.steps import step_record
from screening.selectors import newest_vitals
from studylab import clock
from studylab.allocation.models import Exposure
from studylab.audit.models import Event
from studylab.errors import RefusedWithReasons
from tests.scheduling.sheet.builder import Case

pytestmark = pytest.mark.django_db


def look(case: Case, role: str, address: str) -> int:
    client = Client()
    client.force_login(case.users[role])
    with clock.travel(case.t):
        return client.get(address).status_code


@pytest.mark.shows("B-07")
def test_a_view_of_values_after_the_dose_makes_somebody_unfit_to_rate(rested: Case) -> None:
    """Field case: 80 % of those on a beta-blocker and 69 % of physicians guessed right, by the pulse (JAMA 1985)."""
    case, slug, person = rested, rested.study.slug, rested.participant
    sheet = {n: reverse("visit", args=[slug, case.visit(n).uid]) for n in (1, 2)}
    before = newest_vitals(person, "screening")
    assert before is not None
    assert look(case, "second", sheet[1]) == 200
    assert not Exposure.objects.exists()
    for _ in range(2):
        assert look(case, "experimenter", sheet[2]) == 200
    assert look(case, "clinician", reverse("vitals", args=[slug, person.code, before.uid])) == 200
    assert look(case, "lead", reverse("today", args=[slug])) == 200
    seen = Exposure.objects.order_by("at").values_list("user__name", "page")
    assert set(seen) == {
        (case.users["experimenter"].name, "run sheet"), (case.users["clinician"].name, "readings"),
    }  # fmt: skip
    assert Event.objects.filter(action="values.seen").count() == 2
    case.leave()
    case.finish(2)
    case.start(3)
    case.fill(3, until="memory_score")
    with pytest.raises(RefusedWithReasons) as refused:
        case.step(3, "memory_score", {"value": 31})
    assert refused.value.code == "not_naive"
    rated = case.act(
        step_record, "second", visit=case.visit(3), step_key="memory_score", value={"value": 31},
        occurred_at=case.t, client_id=uuid4(),
    )  # fmt: skip
    assert rated.deviation is None
