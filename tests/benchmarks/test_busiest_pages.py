"""The busiest pages of a study in the middle of its life: twice the volunteers, and not one query more."""

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.models import Visit
from studylab import clock
from studylab.access import Role
from studylab.management.benchmarks.pages_asked import ROLES, Objects
from studylab.outbox.models import Message
from studylab.participants.models import Participant
from tests.access.world import World
from tests.reports.conftest import Crowd, client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def at_that_moment(middle: World) -> Iterator[World]:
    with clock.travel(middle.now):
        yield middle


@pytest.mark.parametrize("role", ROLES)
def test_twice_the_volunteers_and_not_one_query_more(at_that_moment: World, role: str) -> None:
    study, people = at_that_moment.study, at_that_moment.people
    crowd = Crowd(study, people)
    crowd.serial = 500  # beyond those who are there
    crowd.add(1)
    what = _shown(study)
    client = client_for(people[Role(role)])
    pages = [what.address(page) for page in ROLES[role]]
    for page in pages:
        _queries(client, page)  # what a process learns once
    once = {page: _queries(client, page) for page in pages}
    before = study.participants.count()
    crowd.add(before // 8 + 1)
    _messages_again(study)
    assert study.participants.count() >= 2 * before
    assert [page for page in pages if _queries(client, page) > once[page]] == []


def _shown(study: Any) -> Objects:
    """Return somebody in a visit, their visit, and somebody who can be booked."""
    visit = Visit.objects.filter(participant__study=study, state=Visit.State.RUNNING)[0]
    signed = Participant.objects.filter(study=study, sign_offs__decision="eligible", series=None)
    return Objects(study, visit.participant.code, str(visit.uid), signed[0].code)


def _messages_again(study: Any) -> None:
    rows = list(Message.objects.filter(study=study, participant__isnull=False))
    for row in rows:
        row.pk, row.uid, row.key = None, uuid4(), f"{row.key} again"
    Message.objects.bulk_create(rows)
    assert rows


def _queries(client: Any, page: str) -> int:
    with CaptureQueriesContext(connection) as seen:
        assert client.get(page).status_code == 200, page
    return len(seen)
