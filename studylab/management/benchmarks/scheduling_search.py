"""How fast a search for series is, against trying one slot after the other; and from the database."""

import random
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pgtrigger
from django.db import connection

from scheduling.models import Booking, Opening, Place, Resource, Series, Visit
from scheduling.rules.occupation import occupations
from scheduling.rules.openings import Hours, open_between
from scheduling.rules.problem import Problem
from scheduling.rules.search import problem_of, search_problem
from scheduling.rules.timeline import Grid, Interval, PlaceId, PlaceIntervals, timelines
from scheduling.selectors.timelines import free_places, span
from studylab import clock
from studylab.management.benchmarks import Line, Measured, benchmark, best, rolled_back, seconds
from studylab.management.benchmarks.screening_assess import DOCUMENT
from studylab.participants.models import Participant, Person
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import load_protocol, protocol_hash
from studylab.studies.rules.protocol import Protocol

ZONE = "America/Halifax"
MONDAY = datetime(2027, 6, 7, 3, tzinfo=UTC)  # midnight of the local clock
WEEKS = 12
WANTED = 12
SIZES = {"lab room": 10, "experimenter": 20, "sensor set": 12, "waiting chair": 12, "physician cover": 12, "dispensary": 4, "second checker": 6}  # fmt: skip
SLOTS = "every slot tried one after the other, places as sorted lists"
READ = "only reading the same rows"


@benchmark(
    "scheduling.search", unit="milliseconds per search, timelines built", reference=SLOTS,
    size=34_000, tiny=400,
)  # fmt: skip
def search_speed(size: int) -> Measured:
    """Search among `size` bookings of 10 rooms and 20 people over 12 weeks; then the same from the database."""
    plan = load_protocol(DOCUMENT.read_text(encoding="utf-8"))
    weeks = (
        WEEKS if size >= 2000 else 1
    )  # an almost empty calendar has too many series to try one by one
    grid = Grid.covering(MONDAY, MONDAY + timedelta(weeks=weeks))
    places = crowded(grid, size)
    lines = timelines(grid, places)

    def ours() -> Any:
        return search_problem(_problem(plan, grid, lines), WANTED)

    took = best(ours, 20)
    found = ours().options
    slow: list[Any] = []
    reference = seconds(lambda: slow.append(_one_by_one(plan, grid, places)))
    _same(found, slow[0])
    more = list(_from_database(plan, grid, places, size))
    return Measured(took * 1000, reference / took, tuple(more))


def _problem(plan: Protocol, grid: Grid, lines: Any) -> Problem:
    return problem_of(plan=plan, grid=grid, places=lines, person_free=-1, zone=ZONE)


def crowded(grid: Grid, size: int) -> dict[str, tuple[PlaceIntervals, ...]]:
    """Return places that are open every day from 7 to 20 and hold about `size` bookings, the same in every run."""
    dice = random.Random(size)  # noqa: S311 - nothing secret
    opened = open_between(
        [Hours(day, time(7), time(20)) for day in range(7)], ZONE, grid.start, grid.end
    )
    names = [(kind, n) for kind, count in SIZES.items() for n in range(count)]
    each = 2 * size / (len(names) * len(opened))
    found: dict[str, list[PlaceIntervals]] = {kind: [] for kind in SIZES}
    for number, (kind, _) in enumerate(names):
        busy = [
            row
            for turn, day in enumerate(opened)
            for row in _day(day, each * (1 - turn / len(opened)), dice)
        ]
        found[kind].append(PlaceIntervals(number + 1, opened, tuple(busy)))
    return {kind: tuple(rows) for kind, rows in found.items()}


def _day(day: Interval, each: float, dice: random.Random) -> Iterator[Interval]:
    """Yield short bookings of a day, on average `each`: calendars fill from their beginning, with small gaps."""
    at = day[0]
    for _ in range(int(each) + (dice.random() < each % 1)):
        end = at + timedelta(minutes=dice.choice((15, 20, 30)))
        if end > day[1]:
            return
        yield at, end
        at = end + timedelta(minutes=dice.choice((0, 0, 5, 10, 20)))


def _one_by_one(
    plan: Protocol, grid: Grid, places: Mapping[str, Sequence[PlaceIntervals]]
) -> list[tuple[datetime, ...]]:
    """Return the best series by trying every quarter of an hour for every visit, four a day at most."""
    sorted_busy = {row.place_id: sorted(row.busy) for rows in places.values() for row in rows}
    slots = [grid.start + n * timedelta(minutes=15) for n in range(grid.slots // 3)]
    able = []
    for visit in plan.visits:
        needed = occupations(visit, plan.turnaround)
        able.append([at for at in slots if _fits(at, needed, places, sorted_busy)])
    series: list[tuple[datetime, ...]] = [(at,) for at in able[0]]
    for index, rule in enumerate(plan.spacings):
        first, second = plan.visits[index], plan.visits[index + 1]
        ahead = timedelta(minutes=first.planned_dose_minutes or 0) if rule.start.endswith(".dose") else timedelta(0)  # fmt: skip
        del second
        series = [
            (*row, at)
            for row in series
            for at in _between(able[index + 1], row[-1] + ahead + rule.earliest, row[-1] + ahead + rule.latest)
        ]  # fmt: skip
    return sorted(series, key=lambda row: _away(plan, row))[: WANTED * 50]


def _between(rows: Sequence[datetime], low: datetime, high: datetime) -> Iterator[datetime]:
    for at in rows[bisect_left(rows, low) :]:
        if at > high:
            return
        yield at


def _fits(at: datetime, needed: Any, places: Any, busy: Any) -> bool:
    return all(
        any(
            _free(place, busy[place.place_id], at + timedelta(minutes=row.start), at + timedelta(minutes=row.held_until))
            for place in places[row.kind]
        )
        for row in needed
    )  # fmt: skip


def _free(place: PlaceIntervals, busy: Sequence[Interval], start: datetime, end: datetime) -> bool:
    day = bisect_left(place.open, (end, end)) - 1
    if day < 0 or start < place.open[day][0] or place.open[day][1] < end:
        return False
    after = bisect_left(busy, (start, start))
    near = busy[max(after - 1, 0) : after + 2]
    return not any(begin < end and start < finish for begin, finish in near)


def _away(plan: Protocol, row: Sequence[datetime]) -> tuple[Any, ...]:
    """Return how far a series is from the targets, then when it begins."""
    offsets = [timedelta(minutes=visit.planned_dose_minutes or 0) for visit in plan.visits]
    away = timedelta(0)
    for index, rule in enumerate(plan.spacings):
        ahead = offsets[index] if rule.start.endswith(".dose") else timedelta(0)
        away += abs(row[index + 1] - row[index] - ahead - rule.target)
    return away, row


def _same(found: Sequence[Any], slow: Sequence[tuple[datetime, ...]]) -> None:
    """Refuse to print figures of a search that misses the best series there is."""
    if bool(found) != bool(slow):
        raise AssertionError("One of the two ways found series, the other none.")
    if found and tuple(visit.start for visit in found[0].visits) not in slow:
        raise AssertionError("The search's best series is not among those found one by one.")


def _from_database(
    plan: Protocol, grid: Grid, places: Mapping[str, Sequence[PlaceIntervals]], size: int
) -> Iterator[Line]:
    with rolled_back(), pgtrigger.ignore():
        study, version, ids = write_lab(places)
        known = _stand_in(study, version)
        took = 0.0
        for share in (4, 2, 1):
            _keep(known, places, ids, share)
            took = best(lambda: _search_database(plan, grid), 5)
            read = best(_read, 5)
            count = Booking.objects.filter(is_active=True, visit__in=[known]).count()
            name = "scheduling.search.from_database"
            name += "" if share == 1 else f".{count}_bookings"
            yield Line(name, took * 1000, "milliseconds per search", READ, read / took)


def _search_database(plan: Protocol, grid: Grid) -> None:
    kinds = set(SIZES)
    places = free_places(grid, kinds=kinds, at=clock.now())
    search_problem(_problem(plan, grid, places.lines), WANTED)


def _read() -> None:
    rows = Booking.objects.filter(is_active=True)
    list(rows.values_list("place_id", "blocked__startswith", "blocked__endswith"))


def write_lab(
    places: Mapping[str, Sequence[PlaceIntervals]],
) -> tuple[Study, ProtocolVersion, dict[PlaceId, int]]:
    """Write a study and its places, the only ones in use; return the ids of the places by those they have here."""
    text, now = DOCUMENT.read_text(encoding="utf-8"), clock.now()
    study = Study.objects.create(
        slug="benchmark-scratch", title="Scratch", short_title="Scratch", timezone=ZONE,
        code_prefix="Z", created_at=now, languages=["en"], state=Study.State.OPEN,
    )  # fmt: skip
    version = ProtocolVersion.objects.create(
        study=study, number=1, document=text, sha256=protocol_hash(text), added_at=now
    )
    Resource.objects.update(is_active=False)
    ids = {}
    for kind, rows in places.items():
        for row in rows:
            made = Resource.objects.create(kind=kind, name=f"{kind} {row.place_id}", timezone=ZONE)
            ids[row.place_id] = Place.objects.create(resource=made).pk
            Opening.objects.bulk_create(
                Opening(resource=made, weekday=day, opens=time(7), closes=time(20))
                for day in range(7)
            )
    return study, version, ids


def _stand_in(study: Study, version: ProtocolVersion) -> int:
    """Write one visit that stands for all bookings; return its id."""
    who = Participant.objects.create(
        study=study, person=Person.objects.create(created_at=clock.now()), serial=1,
        added_at=clock.now(), status_at=clock.now(), code="Z-1",
    )  # fmt: skip
    series = Series.objects.create(participant=who, protocol_version=version, booked_at=clock.now())
    visit = Visit.objects.create(
        series=series, participant=who, person=who.person, number=1,
        planned=span(MONDAY, MONDAY + timedelta(hours=1)),
    )  # fmt: skip
    return visit.pk


def _keep(
    visit: int,
    places: Mapping[str, Sequence[PlaceIntervals]],
    ids: Mapping[PlaceId, int],
    share: int,
) -> None:
    """Have every `share`-th booking in the database."""
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM scheduling_booking WHERE visit_id = %s", [visit])
    Booking.objects.bulk_create(
        (
            Booking(
                visit_id=visit, place_id=ids[row.place_id], segments=["a"],
                during=span(*busy), blocked=span(*busy),
            )
            for rows in places.values()
            for row in rows
            for busy in row.busy[::share]
        ),
        batch_size=2000,
    )  # fmt: skip
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE scheduling_booking")
