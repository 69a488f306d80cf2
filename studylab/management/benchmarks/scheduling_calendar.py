"""How long the server takes for a week of the calendar in a full database, against a page with nothing on it."""

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

import pgtrigger
from django.db import connection
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import Booking, Series, Visit
from scheduling.rules.calendar_days import say_week
from scheduling.rules.timeline import Grid, Interval, PlaceId, PlaceIntervals
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Role
from studylab.management.benchmarks import Line, Measured, benchmark, p95, rolled_back
from studylab.management.benchmarks.scheduling_search import MONDAY, WEEKS, crowded, write_lab
from studylab.participants.models import Participant, Person
from studylab.people.models import Membership, User
from studylab.studies.models import ProtocolVersion, Study

ROOM = "lab room"


@benchmark(
    "scheduling.calendar",
    unit="milliseconds of server time (p95), a week by room",
    reference="an empty signed-in page (change of password)",
    size=34_000,
    tiny=300,
)
def calendar_speed(size: int) -> Measured:
    """Ask for an early, full week as a coordinator, with `size` bookings over 12 weeks in the database."""
    with rolled_back(), override_settings(ALLOWED_HOSTS=["*"]):
        study, user = _site(size)
        client = Client()
        client.force_login(user)
        week = say_week(MONDAY.date() + timedelta(days=7))
        url = f"{reverse('calendar', args=[study.slug])}?week={week}"
        ours, empty = p95(client, url), p95(client, reverse("password_change"))
        many = _queries(client, url)
        with pgtrigger.ignore(), connection.cursor() as cursor:
            cursor.execute("DELETE FROM scheduling_booking WHERE mod(id, 10) <> 0")
        few = _queries(client, url)
    if many != few:
        raise AssertionError(f"{many} queries for {size} bookings, {few} for a tenth of them.")
    queries = Line(
        "scheduling.calendar.queries", many, "queries for the page",
        "the same week with a tenth of the bookings", few / many,
    )  # fmt: skip
    return Measured(ours, empty / ours, (queries,))


def _queries(client: Client, url: str) -> int:
    with CaptureQueriesContext(connection) as seen:
        client.get(url, secure=True)
    return len(seen)


def _site(size: int) -> tuple[Study, User]:
    """Write a lab with `size` bookings, each of a visit that is in a room at the time, and somebody who may look."""
    grid = Grid.covering(MONDAY, MONDAY + timedelta(weeks=WEEKS))
    places = crowded(grid, size)
    rooms = [(row.place_id, busy) for row in places[ROOM] for busy in row.busy]
    with pgtrigger.ignore():
        study, version, ids = write_lab(places)
        visits = _visits(study, version, [busy for _, busy in rooms])
        uses = [(place, busy, visit) for (place, busy), visit in zip(rooms, visits, strict=True)]
        uses += _other_uses(places, sorted(zip((busy for _, busy in rooms), visits, strict=True)))
        Booking.objects.bulk_create(
            (
                Booking(visit_id=visit, place_id=ids[place], segments=["a"], during=span(*busy), blocked=span(*busy))
                for place, busy, visit in uses
            ),
            batch_size=2000,
        )  # fmt: skip
        user = User.objects.create(
            email="scratch@lab.example", name="Scratch", added_at=clock.now()
        )
        Membership.objects.create(
            study=study, user=user, role=Role.COORDINATOR, starts_on=date(2020, 1, 1), granted_at=clock.now()
        )  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE scheduling_booking")
        cursor.execute("ANALYZE scheduling_visit")
    return study, user


def _visits(study: Study, version: ProtocolVersion, times: Sequence[Interval]) -> list[int]:
    """Write a volunteer with a visit for each of the times, and return the visits' ids."""
    now, count = clock.now(), len(times)
    persons = Person.objects.bulk_create([Person(created_at=now) for _ in range(count)])
    people = Participant.objects.bulk_create(
        Participant(
            study=study, person=person, serial=number, added_at=now, status_at=now, code=f"Z-{number}"
        )
        for number, person in enumerate(persons, start=10)
    )  # fmt: skip
    series = Series.objects.bulk_create(
        Series(participant=who, protocol_version=version, booked_at=now) for who in people
    )
    visits = Visit.objects.bulk_create(
        Visit(series=row, participant=row.participant, person_id=row.participant.person_id, number=1, planned=span(*at))
        for row, at in zip(series, times, strict=True)
    )  # fmt: skip
    return [visit.pk for visit in visits]


def _other_uses(
    places: Mapping[str, Sequence[PlaceIntervals]], visits: Sequence[tuple[Interval, int]]
) -> Iterator[tuple[PlaceId, Interval, int]]:
    """Yield what is booked besides rooms, each for the visit that began last before it."""
    begins = [start for (start, _), _ in visits]
    for kind, rows in places.items():
        for row in rows if kind != ROOM else ():
            for busy in row.busy:
                at = max(bisect_right(begins, busy[0]) - 1, 0)
                yield row.place_id, busy, visits[at][1]
