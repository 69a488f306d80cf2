"""How readings are written down: the page, its file, and signing that somebody looked."""

from typing import Any

import pytest
from django.urls import reverse

from screening.models import VitalSet
from studylab import clock
from studylab.access import Role
from studylab.people.models import Signature
from studylab.reports.selectors.observers import observer_checks
from tests import cast
from tests.reports.conftest import client_for
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def written(study: Any, confirmed: Any, lab: None, experimenter: Any) -> Any:
    """Ten sets of ten people, entered at one moment, every figure the same and ending in 0."""
    now = clock.now()
    for serial in range(1, 11):
        made = VitalSet.objects.create(
            participant=the_lab.make_participant(study, serial), gate=VitalSet.Gate.SCREENING,
            arm="left", systolic=120, diastolic=80, pulse=70, taken_at=now, recorded_at=now,
            recorded_by=experimenter,
        )  # fmt: skip
        for index in (1, 2, 3):
            made.readings.create(index=index, systolic=120, diastolic=80, pulse=70, at=now)
    return study


def test_a_zero_in_every_figure_asks_for_a_look(written: Any, lead: Any, experimenter: Any) -> None:
    (one,) = observer_checks(written)
    assert one.user == experimenter
    assert one.asks
    assert one.digits[0][1] is not None
    assert one.digits[0][1].counts[0] == 30
    assert [len(group) for group in one.same] == [10]
    client = client_for(lead)
    page = client.get(reverse("progress_observers", args=[written.slug])).content.decode()
    assert "asks for a look" in page
    assert "less than 1 in 10^" in page
    sheet = client.get(reverse("progress_observers_file", args=[written.slug, "digits", "csv"]))
    assert f"{experimenter.name},systolic,30,30,0,0,0,0,0,0,0,0,0," in sheet.content.decode()


def test_the_lead_signs_for_having_looked_and_says_what_came_of_it(
    written: Any, lead: Any, monitor: Any, experimenter: Any
) -> None:
    client = client_for(lead)
    page = reverse("progress_observer_sign", args=[written.slug, experimenter.pk])
    told = {"because": "The device shows tens only.", "password": "guess"}
    assert client.post(page, told).status_code == 422
    assert not Signature.objects.filter(subject_type="observer").exists()
    assert client.post(page, {**told, "because": " ", "password": cast.PASSWORD}).status_code == 422
    assert client.post(page, {**told, "password": cast.PASSWORD}).status_code == 302
    signature = Signature.objects.get(subject_type="observer")
    assert signature.content["because"] == "The device shows tens only."
    assert signature.content["figures"]["digits"]["systolic"][0] == 30
    seen = client_for(monitor).get(reverse("progress_observers", args=[written.slug]))
    assert "because: The device shows tens only." in seen.content.decode()
    assert client_for(monitor).get(page).status_code == 403
    nobody = reverse("progress_observer_sign", args=[written.slug, lead.pk])
    assert client.get(nobody).status_code == 404, "the lead entered no reading"


@pytest.mark.parametrize("role", [Role.COORDINATOR, Role.CLINICIAN, Role.EXPERIMENTER])
def test_who_measures_does_not_see_the_checks(
    written: Any, everybody: dict[Role, Any], role: Role
) -> None:
    page = reverse("progress_observers", args=[written.slug])
    assert client_for(everybody[role]).get(page).status_code == 403
