"""The pages on which series are booked, moved and cancelled."""

import re
from collections.abc import Callable
from datetime import time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, Series, Visit
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.resources import resource_retire
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Hold, Participant
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
WEEK = the_lab.wishes("2026-11-24", "2026-11-30")
WISHES = "first_day=2026-11-24&last_day=2026-11-30&not_earlier=09:00"


def book_url(who: Participant) -> str:
    return reverse("series_book", kwargs={"study": "slide-story", "code": who.code})


def series_url(who: Participant) -> str:
    return reverse("series_view", kwargs={"study": "slide-story", "code": who.code})


def tokens(html: str) -> list[str]:
    return re.findall(r'name="option" value="([^"]+)"', html)


def page(client: Client, url: str, status: int = 200) -> str:
    answer = client.get(url)
    assert answer.status_code == status
    return answer.content.decode()


@pytest.fixture
def desk(client_of: ClientOf, coordinator: Any) -> Client:
    return client_of(coordinator)


@pytest.fixture
def booked(volunteer: Participant, booker: Actor) -> Series:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)


class TestBook:
    def test_offers_and_books(self, desk: Client, volunteer: Participant) -> None:
        html = page(desk, f"{book_url(volunteer)}?{WISHES}")
        assert "24 h 00 min after the start of visit 1" in html
        assert "Room 1" in html
        assert "America/Halifax" in html
        answer = desk.post(f"{book_url(volunteer)}?{WISHES}", {"option": tokens(html)[0]})
        assert (answer.status_code, answer["Location"]) == (302, series_url(volunteer))
        after = page(desk, series_url(volunteer))
        assert "Tue 24 Nov 2026, 09:00" in after
        assert Series.objects.get().booked_by is not None

    def test_the_first_visit_of_the_page_searches_four_weeks(
        self, desk: Client, volunteer: Participant
    ) -> None:
        html = page(desk, book_url(volunteer))
        assert 'value="2026-11-23"' in html
        assert 'value="2026-12-20"' in html
        assert tokens(html)

    def test_says_what_is_missing(self, desk: Client, lab: None, study: Any) -> None:
        bare = the_lab.make_participant(study, 3)
        html = page(desk, book_url(bare))
        assert "There is no current eligible sign-off. No physician has decided yet." in html
        assert not tokens(html)

    def test_hold_consent_and_end_are_named(self, desk: Client, volunteer: Participant) -> None:
        Hold.objects.create(
            participant=volunteer, kind="other", reason="Letter", opened_at=clock.now()
        )
        volunteer.status, volunteer.status_reason = "withdrawn", "Moves"
        volunteer.save()
        html = page(desk, book_url(volunteer))
        assert "A hold is open" in html
        assert "The volunteer is withdrawn" in html

    def test_a_taken_choice_answers_409_with_fresh_ones_and_the_same_wishes(
        self, desk: Client, volunteer: Participant, study: Any, clinician: Any, booker: Actor
    ) -> None:
        token = tokens(page(desk, f"{book_url(volunteer)}?{WISHES}"))[0]
        other = the_lab.ready_volunteer(study, clinician, 2)
        nine = the_lab.find(other, the_lab.wishes("2026-11-24", "2026-11-30", not_earlier=time(9)))
        series_book(participant=other, option=nine[0], actor=booker)
        answer = desk.post(f"{book_url(volunteer)}?{WISHES}", {"option": token})
        html = answer.content.decode()
        assert answer.status_code == 409
        assert "Room 1 is taken from 09:00 on" in html
        assert 'value="09:00"' in html
        fresh = tokens(html)
        assert fresh
        assert token not in fresh
        assert Series.objects.count() == 1
        assert desk.post(f"{book_url(volunteer)}?{WISHES}", {"option": fresh[0]}).status_code == 302

    @pytest.mark.parametrize("token", ["", "x", "eyJhIjoxfQ:1uYw:abc", "a" * 9000])
    def test_a_made_up_choice_answers_409(
        self, desk: Client, volunteer: Participant, token: str
    ) -> None:
        answer = desk.post(book_url(volunteer), {"option": token})
        assert answer.status_code == 409
        assert "no longer on offer" in answer.content.decode()
        assert not Series.objects.exists()

    def test_a_choice_made_for_somebody_else_is_stale(
        self, desk: Client, volunteer: Participant, study: Any, clinician: Any
    ) -> None:
        token = tokens(page(desk, book_url(volunteer)))[0]
        other = the_lab.ready_volunteer(study, clinician, 2)
        assert desk.post(book_url(other), {"option": token}).status_code == 409
        assert not Series.objects.exists()

    def test_an_old_choice_is_stale(
        self, desk: Client, volunteer: Participant, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        token = tokens(page(desk, book_url(volunteer)))[0]
        monkeypatch.setattr("scheduling.selectors.sealed.TOKEN_AGE", timedelta(seconds=-1))
        assert desk.post(book_url(volunteer), {"option": token}).status_code == 409

    @pytest.mark.parametrize(
        ("query", "words"),
        [
            ("first_day=2026-11-24&last_day=2026-11-23", "before the first day"),
            ("first_day=2026-11-24&last_day=2026-11-01", "This day is over"),
            ("first_day=2026-11-24&last_day=2027-06-01", "At most 84 days"),
            ("first_day=9999-12-01&last_day=9999-12-31", "three years ahead"),
            ("first_day=soon&last_day=2026-11-30", "Enter a valid date"),
            ("last_day=2026-11-30", "This field is required"),
            ("first_day=2026-11-24&last_day=2026-11-30&not_earlier=25:00", "Enter a valid time"),
            (
                "first_day=2026-11-24&last_day=2026-11-30&not_earlier=10:00&not_later=09:00",
                "This leaves no time",
            ),
            ("first_day=2026-11-24&last_day=2026-11-25&weekdays=5", "None of these weekdays"),
            ("first_day=2026-11-24&last_day=2026-11-30&weekdays=9", "Select a valid choice"),
        ],
    )
    def test_wrong_wishes_are_named(
        self, desk: Client, volunteer: Participant, query: str, words: str
    ) -> None:
        html = page(desk, f"{book_url(volunteer)}?{query}", 422)
        assert words in html
        assert not tokens(html)

    def test_none_is_explained(self, desk: Client, volunteer: Participant) -> None:
        html = page(desk, f"{book_url(volunteer)}?first_day=2026-11-24&last_day=2026-11-25")
        assert "No series fits these days and times" in html
        assert "Visit" in html.split("No series fits")[1]

    def test_a_kind_that_does_not_exist_is_named(
        self, desk: Client, volunteer: Participant, lead: Any, actor_of: Callable[[Any], Actor]
    ) -> None:
        resource_retire(resource=the_lab.room("Hatch"), actor=actor_of(lead))
        html = page(desk, f"{book_url(volunteer)}?{WISHES}")
        assert "There is no dispensary at all, and visit 2 needs one: add it first." in html

    def test_outsiders_find_nothing(
        self, client_of: ClientOf, volunteer: Participant, outsider: Any
    ) -> None:
        """The same answer for a code of another study as for one that does not exist."""
        url = reverse("series_book", kwargs={"study": "other-study", "code": volunteer.code})
        assert client_of(outsider).get(url).status_code == 404

    @pytest.mark.parametrize("role", ["experimenter", "clinician", "monitor", "pharmacist", "lead"])
    def test_nobody_else_books(
        self, client_of: ClientOf, volunteer: Participant, role: str, request: Any
    ) -> None:
        client = client_of(request.getfixturevalue(role))
        assert client.get(book_url(volunteer)).status_code == 403
        assert client.post(book_url(volunteer), {"option": "x"}).status_code == 403


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

    def test_missed(self, desk: Client, booked: Series, volunteer: Participant) -> None:
        row = booked.visits.get(number=1)
        url = reverse(
            "visit_missed",
            kwargs={"study": "slide-story", "code": volunteer.code, "uid": row.uid},
        )
        assert desk.post(url, {"reason": "Not there"}).status_code == 422
        with clock.travel(row.planned.lower + timedelta(minutes=20)):
            assert "Nobody came to visit 1" in page(desk, series_url(volunteer))
            assert "Visit 2 is cancelled too" in page(desk, url)
            assert desk.post(url, {"reason": "Not there"}).status_code == 302
            assert "missed" in page(desk, series_url(volunteer))
            assert tokens(page(desk, book_url(volunteer)))

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
