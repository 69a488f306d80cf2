"""Pooled values on the pages: withheld, released in steps, and whoever looks is on record."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.models import VitalSet
from studylab import clock
from studylab.access import Role
from studylab.allocation.models import Exposure
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.participants.models import Deviation
from studylab.participants.services import deviation_record
from tests import cast
from tests.reports.conftest import client_for
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]


class Measured:
    """A study in which people are measured before and after, one after the other."""

    def __init__(self, study: Any, experimenter: Any) -> None:
        self.study, self.number = study, 0
        self.deviation = deviation_record(  # lets a set stand without the dose that the guard asks for
            study=study, participant=None, kind=Deviation.Kind.WAIT, what="The clock stood still.",
            occurred_at=clock.now(), actor=cast.actor_of(experimenter, study),
        )  # fmt: skip

    def add(self, people: int, after: float = 60) -> None:
        for _ in range(people):
            self.number += 1
            who = the_lab.make_participant(self.study, self.number)
            for gate, pulse in ((VitalSet.Gate.PRE_DOSE, 70), (VitalSet.Gate.POST_DOSE, after)):
                now = clock.now() + timedelta(minutes=self.number)
                VitalSet.objects.create(
                    participant=who, gate=gate, arm="left", systolic=120, diastolic=75, pulse=pulse,
                    taken_at=now, recorded_at=now, deviation=self.deviation,
                )  # fmt: skip


@pytest.fixture
def measured(study: Any, confirmed: Any, lab: None, experimenter: Any) -> Measured:
    return Measured(study, experimenter)


def at(study: Any, page: str, *more: str) -> str:
    return reverse(f"progress_pooled{page}", args=[study.slug, *more])


def test_nothing_is_shown_before_ten_people_and_then_it_grows_by_five(
    measured: Measured, lead: Any
) -> None:
    client, study = client_for(lead), measured.study
    measured.add(9)
    assert "withheld" in client.get(at(study, "")).content.decode()
    assert client.get(at(study, "_values"))["Location"] == at(study, "")
    assert client.get(at(study, "_file", "pooled", "csv")).status_code == 404
    assert not Event.objects.filter(action=Action.POOLED_SEEN).exists()
    measured.add(1)
    ten = client.get(at(study, "_file", "pooled", "csv")).content.decode()
    assert "\r\npulse,per minute,10,70.0,0.0,60.0,0.0,-10.0,0.0\r\n" in ten
    measured.add(4, after=100)
    assert client.get(at(study, "_file", "pooled", "csv")).content.decode() == ten
    measured.add(1, after=100)
    assert ",15,70.0,0.0,73.3," in client.get(at(study, "_file", "pooled", "csv")).content.decode()


def test_whoever_looks_is_on_record_and_has_seen_values_of_each(
    measured: Measured, lead: Any, monitor: Any
) -> None:
    study = measured.study
    measured.add(11)
    client = client_for(lead)
    client.get(at(study, ""))
    assert not Exposure.objects.filter(user=lead).exists(), "the page before shows no value"
    for _ in range(2):
        assert "-10.0" in client.get(at(study, "_values")).content.decode()
    assert Exposure.objects.filter(user=lead, page="pooled values").count() == 10
    looks = Event.objects.filter(action=Action.POOLED_SEEN, study_id=study.pk)
    assert [one.data["people"] for one in looks] == [10, 10], "each look is on record"
    page = client_for(monitor).get(at(study, "")).content.decode()
    assert page.count(f'<th scope="row">{lead.name}</th>') == 2


@pytest.mark.parametrize("role", [Role.COORDINATOR, Role.CLINICIAN, Role.EXPERIMENTER, Role.PHARMACIST])  # fmt: skip
def test_who_runs_visits_or_books_never_sees_them(
    measured: Measured, everybody: dict[Role, Any], role: Role
) -> None:
    client = client_for(everybody[role])
    for page in (at(measured.study, ""), at(measured.study, "_values"), at(measured.study, "_file", "pooled", "svg")):  # fmt: skip
        assert client.get(page).status_code == 403
