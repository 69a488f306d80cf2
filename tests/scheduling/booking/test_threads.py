"""Sixteen people book at the same second, over connections of their own."""

import contextvars
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connection, connections

from scheduling.models import Booking, Series, Visit
from scheduling.rules.search import SeriesOption
from scheduling.services.booking import series_book
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, RefusedWithReasons
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database, pytest.mark.slow]
THREADS = 16
WEEK = the_lab.wishes("2026-11-24", "2026-12-06")


@pytest.fixture
def crowd(study: Any, clinician: Any, lead: Any) -> list[Participant]:
    with clock.travel(the_lab.NOW):
        the_lab.make_lab(cast.actor_of(lead, study))
        return [the_lab.ready_volunteer(study, clinician, n + 1) for n in range(THREADS)]


def at_once(tasks: list[Callable[[], Any]]) -> list[str]:
    """Run all tasks from the same moment on and return what became of each."""
    barrier = Barrier(len(tasks))

    def run(task: Callable[[], Any]) -> str:
        try:
            barrier.wait(timeout=30)
            task()
        except Conflict:
            return "conflict"
        finally:
            connections.close_all()
        return "booked"

    with clock.travel(the_lab.NOW), ThreadPoolExecutor(len(tasks)) as pool:
        contexts = [contextvars.copy_context() for _ in tasks]  # the set clock goes along
        futures = [
            pool.submit(context.run, run, task)
            for context, task in zip(contexts, tasks, strict=True)
        ]
        return [future.result(timeout=120) for future in futures]


def book(who: Participant, option: SeriesOption, actor: Actor) -> Callable[[], Any]:
    return lambda: series_book(participant=who, option=option, actor=actor)


def assert_whole() -> None:
    """Every series has its three visits, every visit its places, and nothing overlaps."""
    assert Visit.objects.count() == 3 * Series.objects.count()
    assert Event.objects.filter(action="series.booked").count() == Series.objects.count()
    assert not Visit.objects.filter(bookings=None).exists()
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM scheduling_booking a JOIN scheduling_booking b "
            "ON a.place_id = b.place_id AND a.id < b.id AND a.blocked && b.blocked "
            "WHERE a.is_active AND b.is_active"
        )
        assert cursor.fetchone()[0] == 0


@pytest.mark.shows("V-2.3.4")
def test_one_wins_and_fifteen_are_told(
    crowd: list[Participant], coordinator: Any, study: Any
) -> None:
    actor = cast.actor_of(coordinator, study)
    with clock.travel(the_lab.NOW):
        option = the_lab.find(crowd[0], WEEK)[0]
    outcome = Counter(at_once([book(who, option, actor) for who in crowd]))
    assert outcome == {"booked": 1, "conflict": THREADS - 1}
    assert Series.objects.count() == 1
    assert_whole()


def test_different_choices_never_overlap_and_never_lock_up(
    crowd: list[Participant], coordinator: Any, study: Any
) -> None:
    """Everybody takes another of the options, which share rooms, people and sensor sets."""
    actor = cast.actor_of(coordinator, study)
    with clock.travel(the_lab.NOW):
        options = the_lab.find(crowd[0], WEEK, limit=THREADS)
    assert len(options) == THREADS
    tasks = [book(who, option, actor) for who, option in zip(crowd, options, strict=True)]
    outcome = Counter(at_once(tasks))
    # Whoever wins may hold what all the others need: how many win depends on the order.
    assert outcome["booked"] == Series.objects.count() >= 1
    assert outcome["booked"] + outcome["conflict"] == THREADS
    assert_whole()


@pytest.mark.shows("V-2.3.4")
def test_one_volunteer_booked_twice_at_once(
    crowd: list[Participant], coordinator: Any, study: Any
) -> None:
    """Two browsers, one volunteer, two free series: only one is booked."""
    actor = cast.actor_of(coordinator, study)
    with clock.travel(the_lab.NOW):
        first, *_, last = the_lab.find(crowd[0], WEEK, limit=40)
    seen: list[str] = []

    def one(option: SeriesOption) -> Callable[[], Any]:
        def task() -> None:
            try:
                series_book(participant=crowd[0], option=option, actor=actor)
            except RefusedWithReasons:
                seen.append("refused")

        return task

    at_once([one(first), one(last)])
    assert seen == ["refused"]
    assert Series.objects.count() == 1
    assert_whole()
    assert Booking.objects.filter(is_active=True).exists()
