"""Front pages of a growing crowd, of an empty study, and of one that is not ready."""

import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from studylab.access import ROLE_CAPS, Cap, Role
from tests.reports.conftest import Crowd, client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.mark.parametrize("role", list(Role))
def test_the_number_of_queries_does_not_grow_with_the_volunteers(
    crowd: Crowd, everybody: dict[Role, Any], role: Role
) -> None:
    client = client_for(everybody[role])
    pages = [reverse("home", args=[crowd.study.slug])]
    if role != Role.PHARMACIST:
        pages += [reverse(name, args=[crowd.study.slug]) for name in ("people_on_path", "safety")]
    if Cap.PROGRESS_VIEW in ROLE_CAPS[role]:
        pages += [reverse(name, args=[crowd.study.slug]) for name in PROGRESS]
    if Cap.OBSERVERS_VIEW in ROLE_CAPS[role]:
        pages += [reverse(name, args=[crowd.study.slug]) for name in LEADING]
    crowd.add(1)
    once = [_queries(client, page) for page in pages]
    crowd.add(1)
    assert [_queries(client, page) for page in pages] == once


PROGRESS = ("progress", "progress_accrual", "progress_kept")
LEADING = ("progress_pooled", "progress_observers")


def _queries(client: Any, page: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        assert client.get(page).status_code == 200
    return len(seen)


def test_a_crowd_is_cut_short_and_the_rest_is_one_press_away(
    crowd: Crowd, everybody: dict[Role, Any]
) -> None:
    crowd.add(9)
    client = client_for(everybody[Role.COORDINATOR])
    page = client.get(reverse("home", args=[crowd.study.slug])).content.decode()
    for title in ("Book the series", "Issue the allocation number", "Deviations to explain"):
        assert title in page
    assert "And 10 more" in page, "two of each round of nine wait for booking"
    assert "And 1 more" in page, "one of each round has a deviation to explain"
    assert page.count('class="work-what"') <= 8 * page.count('class="work-count"')


@pytest.mark.parametrize("role", [Role.COORDINATOR, Role.EXPERIMENTER, Role.MONITOR])
def test_nothing_to_do_says_so(
    study: Any, confirmed: Any, everybody: dict[Role, Any], role: Role
) -> None:
    page = client_for(everybody[role]).get(reverse("home", args=[study.slug])).content.decode()
    assert "Nothing waits for you now." in page
    assert "Nobody is on the path." in page


def test_a_study_that_is_not_ready_tells_each_role_what_it_can_bring(
    study: Any, everybody: dict[Role, Any]
) -> None:
    """Limits, list, kits, cover and rooms: each only to whoever brings it."""
    wanted = {
        Role.CLINICIAN: {"Limits of protocol version 1", "Physician cover"},
        Role.PHARMACIST: {"Allocation list", "Kits"},
        Role.LEAD: {
            f"{kind} in the calendar" for kind in ("Lab room", "Waiting chair", "Dispensary")
        },
        Role.COORDINATOR: set(),
    }
    for role, things in wanted.items():
        page = client_for(everybody[role]).get(reverse("home", args=[study.slug])).content.decode()
        found = set(re.findall(r'class="work-what" href="[^"]*">([^<]*)<', page))
        assert things <= found, found
        assert bool(things) == bool(found), (role, found)


def test_nobody_on_the_path(study: Any, confirmed: Any, coordinator: Any, monitor: Any) -> None:
    page = reverse("people_on_path", args=[study.slug])
    mine = client_for(coordinator).get(page).content.decode()
    assert "Nobody is on the path." in mine
    assert "Add a volunteer" in mine
    theirs = client_for(monitor).get(page).content.decode()
    assert "Nobody is on the path." in theirs
    assert "Add a volunteer" not in theirs


def test_the_progress_of_an_empty_study_is_noughts(study: Any, confirmed: Any, lead: Any) -> None:
    page = client_for(lead).get(reverse("progress", args=[study.slug])).content.decode()
    assert "Assessed for eligibility (n = 0)" in page
    page = client_for(lead).get(reverse("progress_accrual", args=[study.slug])).content.decode()
    assert "Too few people have come so far" in page
