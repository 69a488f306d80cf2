"""Who waits, what became free, whom it fits in fair order, and offers that lapse by themselves."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import FreedTime, Offer, Series, Waiting
from scheduling.rules.availability import HALVES, Times
from scheduling.selectors.sealed import open_option, option_from_json
from scheduling.selectors.waiting import fits_shown, offers_shown
from scheduling.services.availability import availability_note
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.waiting import offer_make, waiting_add, waiting_end
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.studies.selectors import current_protocol
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK, page, tokens

pytestmark = [pytest.mark.django_db, pytest.mark.database]
MINUTE = timedelta(minutes=1)


@pytest.fixture
def freed(volunteer: Participant, booker: Actor) -> FreedTime:
    """A series of three days that was booked and cancelled."""
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    series_cancel(series=series, reason="Moves away", actor=booker)
    return FreedTime.objects.get()


@pytest.fixture
def people(freed: FreedTime, study: Any, clinician: Any, booker: Actor) -> list[Participant]:
    """Two who wait, the second a minute longer than the first, and one who can only come weeks later."""
    found = [the_lab.ready_volunteer(study, clinician, serial) for serial in (2, 3, 4)]
    for minutes, who, first in ((2, found[0], None), (1, found[1], None), (0, found[2], date(2026, 12, 10))):  # fmt: skip
        with clock.travel(clock.now() + (3 - minutes) * MINUTE):
            waiting_add(participant=who, first_day=first, last_day=None, note="", actor=booker)
    return found


def offered(who: Participant, freed: FreedTime, booker: Actor) -> Offer:
    row = next(row for row in fits_shown(freed, clock.now()) if row.row.participant == who)
    assert row.card is not None
    option = open_option(row.card.token, version=current_protocol(who.study).version, about=who.code)  # fmt: skip
    return offer_make(waiting=row.row, freed=freed, option=option, actor=booker)


def test_the_longest_wait_comes_first_among_those_whom_it_fits(
    freed: FreedTime, people: list[Participant]
) -> None:
    with clock.travel(clock.now() + 9 * MINUTE):
        found = fits_shown(freed, clock.now())
    assert [row.row.participant.code for row in found] == [people[0].code, people[1].code, people[2].code]  # fmt: skip
    assert [row.card is not None for row in found] == [True, True, False]


def test_one_press_holds_it_for_ten_minutes_and_books_nobody(
    client_of: Callable[[Any], Client], coordinator: Any, freed: FreedTime,
    people: list[Participant], booker: Actor,
) -> None:  # fmt: skip
    desk, url = client_of(coordinator), reverse("waiting_freed", args=["slide-story", freed.uid])
    with clock.travel(clock.now() + 9 * MINUTE):
        html = page(desk, url)
        assert html.index(people[0].code) < html.index(people[1].code)
        token = tokens(html)[1]
        answer = desk.post(url, {"code": people[1].code, "option": token})
        assert answer.status_code == 302
        assert answer.url == reverse("series_book", args=["slide-story", people[1].code])
        assert not Series.objects.filter(state="open").exists()
        assert "Book the held series" in page(desk, answer.url)
        assert desk.post(url, {"code": people[2].code, "option": token}).status_code == 409
        assert [row.word for row in offers_shown(freed.study, clock.now())] == ["held"]
    with clock.travel(clock.now() + 30 * MINUTE):
        assert [row.word for row in offers_shown(freed.study, clock.now())] == ["expired"]
        assert "expired" in page(desk, reverse("waiting", args=["slide-story"]))


def test_booked_after_an_offer_leaves_the_list(
    freed: FreedTime, people: list[Participant], booker: Actor
) -> None:
    with clock.travel(clock.now() + 9 * MINUTE):
        offer = offered(people[0], freed, booker)
        option = option_from_json(current_protocol(freed.study).plan, offer.hold.option)  # fmt: skip
        series_book(participant=people[0], option=option, actor=booker)
        assert [row.word for row in offers_shown(freed.study, clock.now())] == ["booked"]
        assert people[0].code not in [row.row.participant.code for row in fits_shown(freed, clock.now())]  # fmt: skip


def test_noted_times_and_the_queries_of_many(
    freed: FreedTime, people: list[Participant], study: Any, clinician: Any, booker: Actor
) -> None:
    """Who cannot come on these days is not offered; the count of queries stays as more people wait."""
    with clock.travel(clock.now() + 9 * MINUTE):
        with CaptureQueriesContext(connection) as few:
            fits_shown(freed, clock.now())
        never = Times(cannot=frozenset(HALVES) - {"6 pm"})
        availability_note(
            participant=people[0], times=never, same_clock=False, same_person=False, actor=booker
        )
        for serial in (5, 6):
            who = the_lab.ready_volunteer(study, clinician, serial)
            waiting_add(participant=who, first_day=None, last_day=None, note="", actor=booker)
        with CaptureQueriesContext(connection) as many:
            found = {row.row.participant.code: row for row in fits_shown(freed, clock.now())}
        assert found[people[0].code].card is None
        assert len(many) <= len(few)


def test_who_may_wait(
    freed: FreedTime, volunteer: Participant, people: list[Participant], booker: Actor
) -> None:
    with pytest.raises(Conflict, match="on the waiting list already"):
        waiting_add(participant=people[0], first_day=None, last_day=None, note="", actor=booker)
    with pytest.raises(Refused, match="over"):
        waiting_add(participant=volunteer, first_day=None, last_day=date(2026, 1, 1), note="", actor=booker)  # fmt: skip
    row = Waiting.objects.get(participant=people[0])
    with pytest.raises(Refused, match="Say why"):
        waiting_end(waiting=row, why=" ", actor=booker)
    waiting_end(waiting=row, why="Found another study", actor=booker)
    with pytest.raises(Conflict):
        waiting_end(waiting=row, why="again", actor=booker)


def test_bad_days_are_named_and_kept(
    client_of: Callable[[Any], Client], coordinator: Any, volunteer: Participant
) -> None:
    url = reverse("waiting_add", args=["slide-story", volunteer.code])
    answer = client_of(coordinator).post(url, {"first_day": "2026-12-10", "last_day": "2026-12-01", "note": "short notice"})  # fmt: skip
    assert answer.status_code == 422
    assert "last_day" in answer.context["form"].errors
    assert "short notice" in answer.content.decode()
