"""The pages of rooms, people, hours, closures and holidays."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, Resource
from scheduling.services.booking import series_book
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.cast import shown_in
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
ZONE = "America/Halifax"
WEEK = the_lab.wishes("2026-11-24", "2026-11-30")


class TestPages:
    def url(self, name: str, **kwargs: Any) -> str:
        return reverse(name, kwargs={"study": "slide-story", **kwargs})

    @pytest.mark.parametrize(
        "role", ["coordinator", "clinician", "pharmacist", "experimenter", "lead", "monitor"]
    )
    def test_everybody_reads_and_the_lead_edits(
        self, client_of: ClientOf, lab: None, role: str, request: Any
    ) -> None:
        client = client_of(request.getfixturevalue(role))
        html = client.get(self.url("resources")).content.decode()
        assert "Monday to Sunday 07:00-20:00" in html
        assert ("Add a resource" in html) == (role == "lead")
        room = the_lab.room()
        expected = 200 if role == "lead" else 403
        for name in ("resource_change", "resource_hours"):
            assert client.get(self.url(name, uid=room.uid)).status_code == expected
        assert client.get(self.url("resource_closures")).status_code == 200
        assert client.get(self.url("resource_add")).status_code == expected
        for name in ("resource_holidays", "resource_rota"):
            assert client.get(self.url(name)).status_code == 200
        writes = 302 if role in ("lead", "coordinator") else 403
        adding = client.post(self.url("resource_holidays_add"), {"year": 2026})
        assert adding.status_code == writes

    def test_kinds_that_are_missing_are_named(self, client_of: ClientOf, lead: Any) -> None:
        html = client_of(lead).get(self.url("resources")).content.decode()
        assert "Visit 1 and 2 and 3 needs one and there is none" in html

    def test_add_then_hours(self, client_of: ClientOf, lead: Any, at_now: None) -> None:
        client = client_of(lead)
        data = {"kind": "lab room", "name": "Room 5", "places": 2, "user": ""}
        answer = client.post(self.url("resource_add"), data)
        made = Resource.objects.get(name="Room 5")
        assert answer["Location"] == self.url("resource_hours", uid=made.uid)
        hours = {f"day_{day}": "" for day in range(7)} | {"day_0": "08:00-12:00 13:00-17:30"}
        hours |= shown_in(client.get(answer["Location"]))
        assert client.post(answer["Location"], hours).status_code == 302
        html = client.get(self.url("resources")).content.decode()
        assert "Monday 08:00-12:00 13:00-17:30" in html

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("17:00-08:00", "17:00 to 08:00 ends before it starts"),
            ("08:00-12:00 11:00-13:00", "overlap"),
            ("morning", "is not understood"),
            ("25:00-26:00", "25:00 is not a time of day"),
        ],
    )
    def test_hours_that_cannot_be(
        self, client_of: ClientOf, lab: None, lead: Any, text: str, words: str
    ) -> None:
        url = self.url("resource_hours", uid=the_lab.room().uid)
        client = client_of(lead)
        answer = client.post(url, {"day_3": text, **shown_in(client.get(url))})
        html = answer.content.decode()
        assert answer.status_code == 422
        assert "Thursday – " in html
        assert words in html
        assert f'value="{text}"' in html

    def test_closures_name_the_visits_they_hit(
        self, client_of: ClientOf, lead: Any, volunteer: Participant, booker: Actor
    ) -> None:
        series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
        client = client_of(lead)
        data = {
            "what": "lab", "start": "2026-11-25T06:00", "end": "2026-11-25T23:00", "reason": "Storm",
        }  # fmt: skip
        assert client.post(self.url("resource_outage_add"), data).status_code == 302
        html = client.get(self.url("resource_closures")).content.decode()
        assert "Storm" in html
        assert f"{volunteer.code} visit 2" in html
        closure = Closure.objects.get()
        assert client.post(self.url("resource_closure_remove", uid=closure.uid)).status_code == 302
        assert not Closure.objects.exists()

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"end": "2026-11-24T06:00"}, "This is not later than the start"),
            ({"start": "2027-03-14T02:30"}, "start"),
            ({"reason": ""}, "This field is required"),
        ],
    )
    def test_closures_that_cannot_be(
        self, client_of: ClientOf, lead: Any, at_now: None, changes: dict[str, str], words: str
    ) -> None:
        """02:30 on 14 March 2027 does not exist in Halifax."""
        data = {
            "what": "lab", "start": "2026-11-25T06:00", "end": "2027-11-25T23:00", "reason": "Storm",
        } | changes  # fmt: skip
        answer = client_of(lead).post(self.url("resource_outage_add"), data)
        assert answer.status_code == 422
        assert words in answer.content.decode()
        assert not Closure.objects.exists()

    def test_a_form_sent_empty_names_what_is_missing(
        self, client_of: ClientOf, lead: Any, at_now: None
    ) -> None:
        answer = client_of(lead).post(self.url("resource_outage_add"), {})
        assert answer.status_code == 422
        assert answer.content.decode().count("This field is required") >= 4
