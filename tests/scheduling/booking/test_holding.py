"""Options held for ten minutes, and volunteers' times: by services, by pages, and from several connections."""

import contextvars
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from threading import Barrier
from typing import Any

import pytest
from django.db import connections
from django.test import Client
from django.urls import reverse

from scheduling.models import Availability, HeldPlace, OptionHold, Series
from scheduling.rules.availability import HALVES, Times
from scheduling.rules.timeline import Grid
from scheduling.selectors.timelines import free_places, occupancy
from scheduling.services.availability import availability_note
from scheduling.services.booking import series_book
from scheduling.services.holding import HELD_FOR, option_hold, option_release
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WEEK = the_lab.wishes("2026-11-24", "2026-12-06")


@pytest.fixture
def other(volunteer: Participant, study: Any, clinician: Any) -> Participant:
    return the_lab.ready_volunteer(study, clinician, 2)


def starts(options: Any) -> set[Any]:
    return {tuple(visit.start for visit in option.visits) for option in options}


def places(option: Any) -> set[Any]:
    return {ref for visit in option.visits for row in visit.segments for ref in row.places}


def test_a_held_series_is_kept_from_others_until_it_lapses(
    volunteer: Participant, other: Participant, booker: Actor
) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    hold = option_hold(participant=volunteer, option=option, actor=booker)
    assert hold.until == clock.now() + timedelta(minutes=10)
    with pytest.raises(Conflict, match="taken"):
        series_book(participant=other, option=option, actor=booker)
    with pytest.raises(Conflict, match="taken"):
        option_hold(participant=other, option=option, actor=booker)
    for found in the_lab.find(other, WEEK, limit=40):  # the search does not offer those places then
        if found.visits[0].start == option.visits[0].start:
            assert not places(found) >= places(option)
    with clock.travel(the_lab.NOW + HELD_FOR - timedelta(seconds=1)), pytest.raises(Conflict):
        series_book(participant=other, option=option, actor=booker)
    with clock.travel(the_lab.NOW + HELD_FOR):
        assert series_book(participant=other, option=option, actor=booker)


def test_who_it_is_held_for_books_it(volunteer: Participant, booker: Actor) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    option_hold(participant=volunteer, option=option, actor=booker)
    assert the_lab.find(volunteer, WEEK)[0] == option
    series_book(participant=volunteer, option=option, actor=booker)
    assert not OptionHold.objects.filter(is_active=True).exists()
    assert not HeldPlace.objects.filter(is_active=True).exists()
    with pytest.raises(RefusedWithReasons):
        option_hold(participant=volunteer, option=option, actor=booker)


def test_a_new_hold_ends_the_older_one_and_letting_go_frees_it(
    volunteer: Participant, other: Participant, booker: Actor
) -> None:
    first, *_, last = the_lab.find(volunteer, WEEK)
    option_hold(participant=volunteer, option=first, actor=booker)
    hold = option_hold(participant=volunteer, option=last, actor=booker)
    assert OptionHold.objects.filter(is_active=True).count() == 1
    option_release(hold=hold, actor=booker)
    assert series_book(participant=other, option=last, actor=booker)
    with pytest.raises(Conflict, match="not held"):
        option_release(hold=hold, actor=booker)
    held = Event.objects.filter(action="option.held")
    assert held.count() == 2
    assert Event.objects.filter(action="option.released").count() == 1


def test_a_lapsed_hold_does_not_hinder_the_next(
    volunteer: Participant, other: Participant, booker: Actor
) -> None:
    option = the_lab.find(volunteer, WEEK)[0]
    option_hold(participant=volunteer, option=option, actor=booker)
    with clock.travel(the_lab.NOW + timedelta(minutes=11)):
        assert option_hold(participant=other, option=option, actor=booker)
    assert HeldPlace.objects.filter(is_active=True).values("hold").distinct().count() == 1


def test_only_those_who_book_may_hold(volunteer: Participant, monitor: Any, actor_of: Callable[[Any], Actor]) -> None:  # fmt: skip
    option = the_lab.find(volunteer, WEEK)[0]
    with pytest.raises(NotAllowed):
        option_hold(participant=volunteer, option=option, actor=actor_of(monitor))
    with pytest.raises(NotAllowed):
        availability_note(
            participant=volunteer, times=Times(), same_clock=False, same_person=False,
            actor=actor_of(monitor),
        )  # fmt: skip


def test_holding_and_letting_go_on_the_page(
    volunteer: Participant, coordinator: Any, client_of: Callable[[Any], Client], study: Any
) -> None:
    client, address = (
        client_of(coordinator),
        reverse("series_book", args=[study.slug, volunteer.code]),
    )
    page = client.get(address)
    token = page.context["cards"][0].token
    held = client.post(address, {"option": token, "hold": "1"}, follow=True)
    assert "Held until 07:10" in held.text
    assert "Book the held series" in held.text
    gone = client.post(reverse("series_let_go", args=[study.slug, volunteer.code]), follow=True)
    assert "Not held any more" in gone.text
    again = client.post(reverse("series_let_go", args=[study.slug, volunteer.code]), follow=True)
    assert "Nothing is held" in again.text
    client.post(address, {"option": token, "hold": "1"})
    held = client.get(address)
    client.post(address, {"option": held.context["held"].card.token})
    assert Series.objects.get().participant == volunteer


def test_searches_keep_to_the_noted_times(
    volunteer: Participant, coordinator: Any, client_of: Callable[[Any], Client], study: Any
) -> None:
    client, address = (
        client_of(coordinator),
        reverse("series_times", args=[study.slug, volunteer.code]),
    )
    answers = {f"half_{half.replace(' ', '_')}": "can" for half in HALVES}
    answers |= {"half_2_am": "cannot", "half_4_pm": "rather_not", "not_earlier": "09:00", "away": "2026-11-28 to 2026-11-30"}  # fmt: skip
    wrong = client.post(address, answers | {"away": "next week"})
    assert wrong.status_code == 422
    assert "not a day" in wrong.text
    assert "next week" in wrong.text
    none = client.post(address, {name: "cannot" for name in answers if name.startswith("half")})
    assert none.status_code == 422
    assert client.post(address, answers).status_code == 302
    row = Availability.objects.get()
    assert (row.cannot, row.rather_not, row.away) == (
        ["2 am"],
        ["4 pm"],
        [["2026-11-28", "2026-11-30"]],
    )
    page = client.get(reverse("series_book", args=[study.slug, volunteer.code]))
    assert "cannot come Wednesday morning" in page.text
    cards = page.context["cards"]
    assert cards
    for card in cards:
        for visit in card.visits:
            local = visit.start.astimezone(study.zone)
            assert local.hour >= 9
            assert not (local.weekday() == 2 and local.hour < 13)
            assert not date(2026, 11, 28) <= local.date() <= date(2026, 11, 30)


def test_no_series_names_what_would_help(
    volunteer: Participant, coordinator: Any, client_of: Callable[[Any], Client], study: Any
) -> None:
    """Done by 11:00 leaves no room for five hours of visit 2; the page says by when there is."""
    page = client_of(coordinator).get(
        reverse("series_book", args=[study.slug, volunteer.code]),
        {"first_day": "2026-11-24", "last_day": "2026-11-26", "not_later": "11:00"},
    )
    assert not page.context["cards"]
    assert any("the volunteer until" in line for line in page.context["would_help"])
    assert "smallest changes" in page.text


def test_hours_that_leave_no_time_are_refused(volunteer: Participant, booker: Actor) -> None:
    with pytest.raises(Refused) as caught:
        availability_note(
            participant=volunteer, same_clock=False, same_person=False, actor=booker,
            times=Times(not_earlier=the_lab.ALL_WEEK[0].closes, not_later=the_lab.ALL_WEEK[0].opens),
        )  # fmt: skip
    assert caught.value.field == "not_later"


@pytest.mark.django_db(transaction=True)
@pytest.mark.slow
def test_a_hold_and_bookings_at_the_same_second(study: Any, clinician: Any, lead: Any, coordinator: Any) -> None:  # fmt: skip
    """One of eight gets the series, held or booked; the others are told."""
    actor = cast.actor_of(coordinator, study)
    with clock.travel(the_lab.NOW):
        the_lab.make_lab(cast.actor_of(lead, study))
        crowd = [the_lab.ready_volunteer(study, clinician, n + 1) for n in range(8)]
        option = the_lab.find(crowd[0], WEEK)[0]
    barrier = Barrier(len(crowd))

    def run(turn: int) -> str:
        try:
            barrier.wait(timeout=30)
            take = option_hold if turn % 2 else series_book
            take(participant=crowd[turn], option=option, actor=actor)
        except Conflict:
            return "conflict"
        finally:
            connections.close_all()
        return "taken"

    with clock.travel(the_lab.NOW), ThreadPoolExecutor(len(crowd)) as pool:
        tasks = [pool.submit(contextvars.copy_context().run, run, turn) for turn in range(8)]
        outcomes = sorted(task.result(timeout=120) for task in tasks)
    assert outcomes == ["conflict"] * 7 + ["taken"]
    assert Series.objects.count() + OptionHold.objects.filter(is_active=True).count() == 1


def test_free_slots_are_the_same_both_ways(volunteer: Participant, other: Participant, booker: Actor) -> None:  # fmt: skip
    """The short way to free slots that the search takes, against intervals: bookings, holds and odd minutes."""
    series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
    option_hold(participant=other, option=the_lab.find(other, WEEK)[0], actor=booker)
    grid = Grid.covering(clock.now() + timedelta(minutes=2), clock.now() + timedelta(days=20))
    kinds = {"lab room", "experimenter", "sensor set", "waiting chair", "physician cover"}
    for held_for in ([], [other.pk]):
        whole = occupancy(grid.start, grid.end, kinds=kinds, at=clock.now(), held_for=held_for)
        short = free_places(grid, kinds=kinds, at=clock.now(), held_for=held_for)
        assert short.lines == whole.timelines(grid)
        assert short.names == whole.names
