"""The page on which series are booked."""

from collections.abc import Callable
from datetime import time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Series
from scheduling.services.booking import series_book
from scheduling.services.resources import resource_retire
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Hold, Participant
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WISHES, book_url, page, series_url, tokens

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]


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
            ("first_day=2999-12-01&last_day=2999-12-31", "three years ahead"),
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
        assert "With days until Thursday 26 November 2026 there are" in html
        assert "first_day=2026-11-24&amp;last_day=2026-11-26" in html

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
