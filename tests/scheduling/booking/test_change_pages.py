"""The pages on which booked visits are moved, cancelled and missed."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, Series, Visit
from scheduling.services.change import series_cancel
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import page, series_url, tokens

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]


class TestMove:
    def url(self, row: Visit, name: str = "visit_move") -> str:
        code = row.participant.code
        return reverse(name, kwargs={"study": "slide-story", "code": code, "uid": row.uid})

    def choices(self, desk: Client, row: Visit) -> list[str]:
        html = page(desk, f"{self.url(row)}?first_day=2026-11-24&last_day=2026-12-04")
        return [
            link.replace("&amp;", "&")
            for link in re.findall(r'href="([^"]+move/confirm/[^"]+)"', html)
        ]

    def test_before_and_after_then_moved(self, desk: Client, booked: Series) -> None:
        row = booked.visits.get(number=2)
        link = self.choices(desk, row)[1]
        html = page(desk, link)
        assert "Before" in html
        assert "Wed 25 Nov 2026" in html
        data = {"option": tokens(html)[0], "reason": "Volunteer asked"}
        answer = desk.post(link, data)
        assert answer.status_code == 302
        before = row.planned.lower
        row.refresh_from_db()
        assert row.planned.lower != before

    def test_no_reason_keeps_the_choice(self, desk: Client, booked: Series) -> None:
        row = booked.visits.get(number=2)
        link = self.choices(desk, row)[0]
        token = tokens(page(desk, link))[0]
        answer = desk.post(link, {"option": token, "reason": ""})
        assert answer.status_code == 422
        assert tokens(answer.content.decode()) == [token]

    def test_offers_the_visit_alone_and_with_those_after_it(
        self, desk: Client, booked: Series
    ) -> None:
        html = page(desk, self.url(booked.visits.get(number=2)))
        assert "Visit 2 alone" in html
        assert "Visit 2 and the visits after it" in html

    def test_says_what_stays(self, desk: Client, booked: Series) -> None:
        html = page(desk, self.choices(desk, booked.visits.get(number=2))[0])
        assert "Visit 1 stays on Tue 24 Nov 2026, 07:00." in html
        assert re.search(
            r"Visit 3 stays on Thu 26 Nov 2026, 07:45, \d+ h \d\d min after the dose", html
        )

    @pytest.mark.parametrize("name", ["visit_move", "visit_move_confirm"])
    def test_a_cancelled_visit_answers_409(
        self, desk: Client, booked: Series, booker: Actor, name: str
    ) -> None:
        row = booked.visits.get(number=2)
        link = self.choices(desk, row)[0]
        series_cancel(series=booked, reason="Exam week", actor=booker)
        assert desk.get(self.url(row, name)).status_code == 409
        assert desk.get(link).status_code == 409

    def test_closed_meanwhile(self, desk: Client, booked: Series) -> None:
        """Between the page and the click the lab closes: 409, named, with fresh choices and the wishes kept."""
        row = booked.visits.get(number=2)
        link = self.choices(desk, row)[0]
        token = tokens(page(desk, link))[0]
        Closure.objects.create(during=row.planned, reason="Power cut")
        answer = desk.post(link, {"option": token, "reason": "Late bus"})
        html = answer.content.decode()
        assert answer.status_code == 409
        assert "closed for part of the time" in html
        assert 'value="2026-12-04"' in html
        assert row.bookings.filter(is_active=True).exists()

    def test_a_choice_for_another_visit_is_stale(self, desk: Client, booked: Series) -> None:
        one, two = booked.visits.get(number=1), booked.visits.get(number=2)
        link = self.choices(desk, two)[0]
        token = tokens(page(desk, link))[0]
        answer = desk.post(self.url(one, "visit_move_confirm"), {"option": token, "reason": "x"})
        assert answer.status_code == 409

    def test_visit_of_another_volunteer(self, desk: Client, booked: Series, study: Any) -> None:
        other = the_lab.make_participant(study, 9)
        row = booked.visits.get(number=1)
        url = reverse(
            "visit_move", kwargs={"study": "slide-story", "code": other.code, "uid": row.uid}
        )
        assert desk.get(url).status_code == 404


class TestCancelAndMissed:
    def test_cancel(self, desk: Client, booked: Series, volunteer: Participant) -> None:
        url = reverse("series_cancel", kwargs={"study": "slide-story", "code": volunteer.code})
        assert "Visit 1 is cancelled and its room and people are free again." in page(desk, url)
        assert desk.post(url, {"reason": ""}).status_code == 422
        assert desk.post(url, {"reason": "Exam week"}).status_code == 302
        assert "Exam week" in page(desk, series_url(volunteer))
        assert desk.get(url).status_code == 409

    @pytest.mark.parametrize("role", ["experimenter", "clinician", "lead", "monitor"])
    def test_others_may_read_the_series(
        self, client_of: ClientOf, booked: Series, volunteer: Participant, role: str, request: Any
    ) -> None:
        html = page(client_of(request.getfixturevalue(role)), series_url(volunteer))
        assert "Move visit" not in html
        assert "Cancel the series" not in html

    def test_the_pharmacist_does_not(
        self, client_of: ClientOf, volunteer: Participant, pharmacist: Any
    ) -> None:
        assert client_of(pharmacist).get(series_url(volunteer)).status_code == 403
