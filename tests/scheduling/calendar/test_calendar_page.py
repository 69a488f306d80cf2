"""The calendar page: what it shows, to whom, and with how many queries."""

import re
from collections.abc import Callable
from datetime import time, timedelta
from typing import Any
from xml.etree import ElementTree

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import Visit
from scheduling.rules.openings import Hours
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from studylab import clock
from studylab.access import Actor, Role
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
DAYS = the_lab.wishes("2026-11-24", "2026-11-29")
URL = "/s/slide-story/calendar/"


@pytest.fixture
def series(volunteer: Participant, booker: Actor) -> Any:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, DAYS)[0], actor=booker)


def html_of(client: Client, query: str = "", status: int = 200) -> str:
    answer = client.get(f"{URL}{query}")
    assert answer.status_code == status
    return answer.content.decode()


def drawing(html: str) -> ElementTree.Element:
    found = re.search(r'<svg class="cal-sheet".*?</svg>\s*</div>', html, re.DOTALL)
    assert found
    return ElementTree.fromstring(found[0].removesuffix("</div>").strip())


def test_address() -> None:
    assert reverse("calendar", kwargs={"study": "slide-story"}) == URL


def test_week_shows_visits_waits_and_turnaround(
    client_of: ClientOf, coordinator: Any, series: Any, volunteer: Participant
) -> None:
    html = html_of(client_of(coordinator), "?week=2026-W48")
    assert "Week 48: 23 November to 29 November 2026" in html
    assert "America/Halifax" in html
    root = drawing(html)
    labels = [link.get("aria-label", "") for link in root.iter("a")]
    assert f"Tue 24 Nov 2026: {volunteer.code} visit 1, 07:00 to 08:05, Room 1, booked" in labels
    assert any("waits, 08:00 to 09:20, Chair" in label for label in labels)
    kinds = [rect.get("class", "") for rect in root.iter("rect")]
    assert (
        sum("cal-turnaround" in kind for kind in kinds) == 5
    )  # visits 1 and 3 once, visit 2 three times
    assert html.count("<td>Room 1, ") >= 3  # the list holds the same


def test_a_minute_is_a_pixel(client_of: ClientOf, coordinator: Any, series: Any) -> None:
    """Visit 1 is 65 minutes long and starts at 07:00, the first drawn hour."""
    root = drawing(html_of(client_of(coordinator), "?week=2026-W48"))
    link = next(a for a in root.iter("a") if " visit 1," in a.get("aria-label", ""))
    box = link.find("svg")
    assert box is not None
    assert (float(box.get("y", 0)), float(box.get("height", 0))) == (52, 65)


def test_no_style_attribute_and_no_script_inside(
    client_of: ClientOf, coordinator: Any, series: Any
) -> None:
    for query in ("?week=2026-W48", "?day=2026-11-25"):
        html = html_of(client_of(coordinator), query)
        assert "style=" not in html
        assert not re.search(r"<script(?![^>]*\bsrc=)", html)
        assert not re.search(r"\son\w+=", html)


def test_day_shows_every_place(
    client_of: ClientOf, coordinator: Any, series: Any, volunteer: Participant
) -> None:
    html = html_of(client_of(coordinator), "?day=2026-11-25")
    root = drawing(html)
    titles = [title.text for title in root.iter("title")]
    for name in (
        "Room 1",
        "Room 2",
        "Set A",
        "Chair, place 1",
        "Chair, place 2",
        "Hatch",
        "Helper Number1",
    ):
        assert name in titles
    assert any("Hatch" in a.get("aria-label", "") for a in root.iter("a"))


def test_now_line_only_on_the_present_day(client_of: ClientOf, coordinator: Any, lab: None) -> None:
    client = client_of(coordinator)
    with clock.travel(the_lab.NOW + timedelta(hours=3)):
        root = drawing(html_of(client, "?week=2026-W48"))
        lines = [line for line in root.iter("line") if line.get("class") == "cal-now"]
        assert [float(line.get("y1", 0)) for line in lines] == [52 + 180]
        assert "cal-now" not in html_of(client, "?week=2026-W49")


def test_cancelled_series_leave_the_calendar(
    client_of: ClientOf, coordinator: Any, series: Any, booker: Actor, volunteer: Participant
) -> None:
    series_cancel(series=series, reason="Exam week", actor=booker)
    assert volunteer.code not in html_of(client_of(coordinator), "?week=2026-W48")


def test_other_studies_show_as_taken_without_a_code(
    client_of: ClientOf, coordinator: Any, series: Any
) -> None:
    study, people = the_lab.other_study()
    who = the_lab.ready_volunteer(study, people[Role.CLINICIAN], 42)
    series_book(
        participant=who, option=the_lab.find(who, DAYS)[0],
        actor=cast.actor_of(people[Role.COORDINATOR], study),
    )  # fmt: skip
    html = html_of(client_of(coordinator), "?week=2026-W48")
    assert who.code not in html
    assert "A visit of another study" in html
    assert "cal-other" in html


def test_missed_visits_stay_in_the_list(client_of: ClientOf, coordinator: Any, series: Any) -> None:
    Visit.objects.filter(series=series, number=1).update(state="missed")
    assert "missed" in html_of(client_of(coordinator), "?week=2026-W48")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("?week=2026-W54", "has no week 54"),
        ("?week=soon", "is not a week"),
        ("?week=9999-W01", "2000 to 2100"),
        ("?day=2026-02-30", "is not a day"),
        ("?day=9999-12-31", "is not shown"),
    ],
)
def test_wrong_days_are_named(
    client_of: ClientOf, coordinator: Any, study: Any, query: str, words: str
) -> None:
    assert words in html_of(client_of(coordinator), query, 422)


@pytest.mark.parametrize(
    "query", ["?week=2000-W01", "?week=2100-W52", "?day=2000-01-01", "?day=2100-12-31"]
)
def test_the_edges_of_the_years(
    client_of: ClientOf, coordinator: Any, lab: None, query: str
) -> None:
    html_of(client_of(coordinator), query)


@pytest.mark.parametrize(
    ("query", "label"),
    [("?day=2027-03-14", "03:00 ADT"), ("?day=2026-11-01", "01:00 AST")],
)
def test_nights_on_which_the_clocks_change(
    client_of: ClientOf, coordinator: Any, lead: Any, study: Any, query: str, label: str
) -> None:
    """A room open at night shows the hours that day really has."""
    hours = [Hours(day, time(0), time(23, 59)) for day in range(7)]
    the_lab.make_lab(cast.actor_of(lead, study), hours=hours)
    assert label in html_of(client_of(coordinator), query)


@pytest.mark.parametrize("role", ["coordinator", "clinician", "experimenter", "lead", "monitor"])
def test_who_sees_it(client_of: ClientOf, lab: None, role: str, request: Any) -> None:
    html_of(client_of(request.getfixturevalue(role)))


def test_the_pharmacist_does_not(client_of: ClientOf, pharmacist: Any) -> None:
    assert client_of(pharmacist).get(URL).status_code == 403


@pytest.mark.parametrize("query", ["?week=2026-W48", "?day=2026-11-25&by=volunteers"])
def test_queries_do_not_grow_with_visits(
    client_of: ClientOf, coordinator: Any, volunteer: Participant, study: Any, clinician: Any,
    booker: Actor, query: str,
) -> None:  # fmt: skip
    client = client_of(coordinator)

    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            html_of(client, query)
        return len(queries)

    series_book(participant=volunteer, option=the_lab.find(volunteer, DAYS)[0], actor=booker)
    html_of(client, query)
    few, before = count(), Visit.objects.count()
    for serial in (2, 3):
        who = the_lab.ready_volunteer(study, clinician, serial)
        series_book(participant=who, option=the_lab.find(who, DAYS)[0], actor=booker)
    assert Visit.objects.count() == 3 * before
    assert count() == few
