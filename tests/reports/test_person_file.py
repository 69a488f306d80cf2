"""A volunteer's file: everything in the order of time, by code, without an arm or a kit, corrections beside what they correct."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.allocation.models import Exposure, Kit
from studylab.management.demo.cast import volunteer_name
from studylab.reports.selectors.person_file import file_of_person
from studylab.studies.selectors import current_protocol
from tests.access.world import World
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db]


def dosed(world: World) -> Any:
    return next(one for one in world.participants if one.doses.exists())


@pytest.mark.shows("A-22", "B-01")
def test_everything_in_order_by_code_and_blinded(world: World) -> None:
    person = dosed(world)
    entries = file_of_person(person)
    assert [one.at for one in entries] == sorted(one.at for one in entries)
    titles = {one.title for one in entries}
    assert {"Consent", "Answers", "Readings", "One reading", "Decision of a clinician", "Number issued", "Visits booked",
            "Visit", "Step of the run sheet", "Dose of the study capsule"} <= titles  # fmt: skip
    assert entries[0].at <= person.added_at
    client = client_for(world.people[Role.MONITOR])
    page = client.get(
        reverse("volunteer_file", args=[world.study.slug, person.code])
    ).content.decode()
    arms = [arm.name for arm in current_protocol(world.study).plan.allocation.arms]
    names = [part for index in range(16) for part in volunteer_name(index)]
    kits = list(Kit.objects.values_list("number", flat=True))
    assert [word for word in (*names, *kits) if word in page] == []
    said = [
        text for one in entries if one.title != "Proposal of the rules" for _, text in one.values
    ]
    assert [text for text in said for arm in arms if arm in text] == []
    assert "given before it" in page, "values say which consent they rest on"


def test_whoever_looks_is_noted_for_the_rating_and_the_queries_are_few(world: World) -> None:
    person = dosed(world)
    user = world.people[Role.EXPERIMENTER]
    client = client_for(user)
    address = reverse("volunteer_file", args=[world.study.slug, person.code])
    with clock.travel(world.now):
        assert client.get(address).status_code == 200
    assert Exposure.objects.filter(user=user, participant=person).exists()
    with CaptureQueriesContext(connection) as seen:
        file_of_person(person)
    assert len(seen) <= 30, "one query for each table, however long the file is"
    assert client_for(world.people[Role.PHARMACIST]).get(address).status_code == 403
