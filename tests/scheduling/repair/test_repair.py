"""A room that is closed, somebody who is away: entered once, every visit listed, repaired as far as it goes."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from scheduling.models import Booking, Closure, Series
from scheduling.selectors.outages import repairs_shown
from scheduling.services.booking import series_book
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK, page

pytestmark = [pytest.mark.django_db, pytest.mark.database]
REPAIR = "/s/slide-story/calendar/repair/"
AWAY = "/s/slide-story/resources/closures/add/"
HALIFAX = ZoneInfo("America/Halifax")


@pytest.fixture
def desk(client_of: Callable[[Any], Client], coordinator: Any) -> Client:
    return client_of(coordinator)


def book_at_same_times(study: Any, clinician: Any, booker: Actor, serials: range) -> list[Series]:
    """Book several people as nearly at the same times as the one dispensary hatch allows."""
    made: list[Series] = []
    wanted = None
    for serial in serials:
        who = the_lab.ready_volunteer(study, clinician, serial)
        found = the_lab.find(who, WEEK, 60)
        option = min(found, key=lambda o: abs(o.visits[1].start - (wanted or o.visits[1].start)))
        wanted = wanted or option.visits[1].start
        made.append(series_book(participant=who, option=option, actor=booker))
    return made


def rooms(series: Series) -> dict[int, set[str]]:
    found: dict[int, set[str]] = {}
    for row in Booking.objects.filter(visit__series=series, is_active=True, place__resource__kind="lab room"):  # fmt: skip
        found.setdefault(row.visit.number, set()).add(row.place.resource.name)
    return found


def close(desk: Client, what: str, series: Series, number: int) -> None:
    """Say on the form that something cannot be used on the day of a visit."""
    day = series.visits.get(number=number).planned.lower.astimezone(HALIFAX).date()
    sent = {"what": what, "start": f"{day}T00:00", "end": f"{day}T23:55", "reason": "water leak"}
    answer = desk.post(AWAY, sent)
    assert answer.status_code == 302, answer.content.decode()


def form_of(study: Any, keys: set[str]) -> dict[str, Any]:
    """Return what the page posts for the rows of these volunteers."""
    rows = repairs_shown(study, clock.now())
    sent: dict[str, Any] = {f"option-{row.uid}": row.token for row in rows if row.token}
    return sent | {"row": [str(row.uid) for row in rows if row.code in keys], "what": "ticked"}


def test_a_closed_room_is_repaired_by_another_room_at_the_same_time(
    desk: Client, lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    (series,) = book_at_same_times(study, clinician, booker, range(1, 2))
    before = rooms(series)
    (name,) = before[2]
    close(desk, f"one:{the_lab.room(name).uid}", series, 2)
    html = page(desk, REPAIR)
    assert "Same time, another place" in html
    assert "Another time" not in html
    assert rooms(series) == before  # nothing changes before it is taken
    code = series.participant.code
    assert desk.post(REPAIR, form_of(study, {code})).status_code == 302
    after = rooms(series)
    assert after[2] == {"Room 1", "Room 2"} - {name}
    assert (after[1], after[3]) == (before[1], before[3])
    assert "Every booked visit lies where everything is open." in page(desk, REPAIR)
    assert Event.objects.get(action="visit.moved").reason == f"Not usable: {name}."


def test_all_at_once_in_the_fewest_moves_then_taken_in_part(
    desk: Client, lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    """Both rooms are taken at nearly one time; with one closed one series keeps its room and the other moves."""
    first, second = book_at_same_times(study, clinician, booker, range(1, 3))
    codes = {first.participant.code: first, second.participant.code: second}
    close(desk, f"one:{the_lab.room('Room 1').uid}", first, 2)
    (row,) = repairs_shown(study, clock.now())
    assert row.kind == "time"
    hit = codes[row.code]
    old = {v.number: v.planned.lower for v in hit.visits.all()}
    assert desk.post(REPAIR, {"what": "ticked"}).status_code == 422
    assert desk.post(REPAIR, {"what": "none"}).status_code == 302
    assert {v.number: v.planned.lower for v in hit.visits.all()} == old
    assert desk.post(REPAIR, form_of(study, set(codes)) | {"what": "all"}).status_code == 302
    new = {v.number: v.planned.lower for v in hit.visits.all()}
    assert new[2] != old[2]
    assert desk.get(REPAIR).status_code == 200
    assert timedelta(hours=22) <= new[2] - new[1] <= timedelta(hours=26)
    assert repairs_shown(study, clock.now()) == []


def test_what_is_taken_meanwhile_is_refused_and_nothing_unchecked_is_written(
    desk: Client, lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    (series,) = book_at_same_times(study, clinician, booker, range(1, 2))
    before = rooms(series)
    (name,) = before[2]
    close(desk, f"one:{the_lab.room(name).uid}", series, 2)
    sent = form_of(study, {series.participant.code})
    (other,) = {"Room 1", "Room 2"} - {name}
    close(desk, f"one:{the_lab.room(other).uid}", series, 2)
    answer = desk.post(REPAIR, sent)
    assert answer.status_code == 409
    assert rooms(series) == before


def test_no_cover_needs_a_call_with_a_reason(
    desk: Client, lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    (series,) = book_at_same_times(study, clinician, booker, range(1, 2))
    close(desk, "kind:physician cover", series, 2)
    (row,) = repairs_shown(study, clock.now())
    assert row.kind in ("time", "call")  # another day's cover may do, with all visits moved
    sent = {"what": "kind:physician cover", "start": "2026-11-23T00:00", "end": "2027-03-01T00:00", "reason": "nobody"}  # fmt: skip
    assert desk.post(AWAY, sent).status_code == 302
    (row,) = repairs_shown(study, clock.now())
    assert (row.kind, row.token) == ("call", "")
    assert row.why


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"what": ""}, "what"),
        ({"end": "2026-11-24T07:00"}, "end"),
        ({"start": ""}, "start"),
        ({"start": "2027-03-14T02:30", "end": "2027-03-14T05:00"}, "start"),  # does not exist
        ({"end": "2029-11-24T07:00"}, "end"),
        ({"reason": " "}, "reason"),
    ],
)
def test_bad_input_is_named_at_its_field(
    desk: Client, lab: None, changed: dict[str, str], field: str
) -> None:
    good = {"what": "lab", "start": "2026-11-24T08:00", "end": "2026-11-24T12:00", "reason": "storm"}  # fmt: skip
    answer = desk.post(AWAY, good | changed)
    assert answer.status_code == 422
    assert field in answer.context["form"].errors
    assert not Closure.objects.exists()


def test_queries_do_not_grow_with_what_is_hit(
    desk: Client, lab: None, study: Any, clinician: Any, booker: Actor
) -> None:
    made = book_at_same_times(study, clinician, booker, range(1, 3))
    counts = []
    for room in ("Room 1", "Room 2"):
        close(desk, f"one:{the_lab.room(room).uid}", made[0], 2)
        with CaptureQueriesContext(connection) as found:
            rows = repairs_shown(study, clock.now())
        counts.append((len(rows), len(found)))
    assert [rows for rows, _ in counts] == [1, 2]
    assert counts[0][1] == counts[1][1]
