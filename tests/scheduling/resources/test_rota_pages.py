"""Rota files and dated hours: preview, all or nothing, twice the same, undo; what the search sees of them."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from scheduling.models import RotaImport, Shift
from scheduling.selectors.timelines import occupancy, span
from scheduling.services.booking import series_book
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
HEAD = "person,day,from,until\n"
TWO = f"{HEAD}Room 1,2026-11-24,08:00,12:00\nHelper Number1,2026-11-25,09:00,17:00\n"


def url(name: str, **kwargs: Any) -> str:
    return reverse(name, kwargs={"study": "slide-story", **kwargs})


@pytest.fixture
def desk(client_of: ClientOf, coordinator: Any, lab: None) -> Client:
    return client_of(coordinator)


def preview(client: Client, text: str | bytes, name: str = "rota.csv", **fields: Any) -> Any:
    data = text if isinstance(text, bytes) else text.encode()
    return client.post(
        url("resource_rota_file"), {"file": SimpleUploadedFile(name, data), **fields}
    )


def take(client: Client, answer: Any) -> str:
    sealed = answer.context["sealed"]
    done = client.post(url("resource_rota_take"), {"sealed": sealed}, follow=True)
    return str(done.content.decode())


def opened(name: str, day: int) -> list[str]:
    """Return the local hours of a place of the lab on a day of November 2026, in UTC-4."""
    start = datetime(2026, 11, day, 4, tzinfo=UTC)
    places = occupancy(start, start + timedelta(days=1))
    rows = [row for kind in places.places.values() for row in kind]
    (found,) = [row for row in rows if places.name(row.place_id) == name]
    return [f"{a - timedelta(hours=4):%H:%M}-{b - timedelta(hours=4):%H:%M}" for a, b in found.open]


def test_preview_writes_nothing_then_all_then_nothing_twice_then_undo(desk: Client) -> None:
    seen = preview(desk, TWO)
    assert seen.status_code == 200
    assert not Shift.objects.exists()
    assert "Taken over: 2 added, 0 taken away" in take(desk, seen)
    assert (opened("Room 1", 24), opened("Room 1", 25)) == (["08:00-12:00"], ["07:00-20:00"])
    assert opened("Helper Number1", 25) == ["09:00-17:00"]
    again = preview(desk, TWO)
    assert "All of this file stands already" in again.content.decode()
    assert "nothing was changed" in take(desk, again)
    made = RotaImport.objects.get()
    undo = url("resource_rota_undo", uid=made.uid)
    assert "2 shifts of this file go" in desk.get(undo).content.decode()
    desk.post(undo)
    assert (opened("Room 1", 24), Shift.objects.count()) == (["07:00-20:00"], 0)
    assert desk.post(undo).status_code == 409
    assert Event.objects.filter(data__what="rota file undone").count() == 1


def test_one_wrong_line_and_nothing_is_taken(desk: Client) -> None:
    seen = preview(desk, f"{TWO}Nobody,2026-11-24,08:00,09:00\nRoom 1,2026-11-24,11:00,13:00\n")
    html = seen.content.decode()
    assert seen.status_code == 422
    assert "Nobody" in html
    assert "Overlaps line 2" in html
    assert "Take it over" not in html
    take(desk, seen)
    assert not Shift.objects.exists()


def test_what_came_up_since_the_preview_is_named_and_nothing_is_half_written(desk: Client) -> None:
    seen = preview(desk, TWO)
    form = {
        "resource": the_lab.room("Helper Number1").pk, "start": "2026-11-25T16:00",
        "end": "2026-11-25T18:00",
    }  # fmt: skip
    assert desk.post(url("resource_shift_add"), form).status_code == 302
    assert "a shift that stands already" in take(desk, seen)
    assert Shift.objects.count() == 1


def test_replacing_takes_away_and_undo_brings_back(desk: Client) -> None:
    take(desk, preview(desk, TWO))
    first = RotaImport.objects.get()
    changed = f"{HEAD}Room 1,2026-11-24,10:00,15:00\n"
    assert preview(desk, changed).status_code == 422
    assert "1 added, 1 taken away" in take(desk, preview(desk, changed, replace="on"))
    assert opened("Room 1", 24) == ["10:00-15:00"]
    assert desk.post(url("resource_rota_undo", uid=first.uid)).status_code == 409
    last = RotaImport.objects.exclude(pk=first.pk).get()
    desk.post(url("resource_rota_undo", uid=last.uid))
    assert opened("Room 1", 24) == ["08:00-12:00"]
    desk.post(url("resource_rota_undo", uid=first.uid))
    assert not Shift.objects.exists()


def test_a_calendar_file_of_one_person(desk: Client) -> None:
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:1\r\nSUMMARY:Early\r\n"
        "DTSTART:20261124T070000\r\nDTEND:20261124T110000\r\nRRULE:FREQ=DAILY;COUNT=3\r\n"
        "END:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    assert "nobody in use here" in preview(desk, text, "x.ics").content.decode()
    take(desk, preview(desk, text, "x.ics", whose=the_lab.room("Helper Number2").pk))
    assert [opened("Helper Number2", day) for day in (24, 26, 27)] == [
        ["07:00-11:00"], ["07:00-11:00"], ["07:00-20:00"],
    ]  # fmt: skip


def test_files_that_cannot_be_read_are_refused_at_their_field(desk: Client) -> None:
    for data in ("person\nJürgen".encode("cp1252"), b"x" * (513 * 1024)):
        answer = preview(desk, data, replace="on")
        assert answer.status_code == 422
        assert answer.context["form"].errors["file"]
        assert "checked" in answer.content.decode()
    assert desk.post(url("resource_rota_file"), {}).status_code == 422
    done = desk.post(url("resource_rota_take"), {"sealed": "tampered"}, follow=True)
    assert "preview is too old" in done.content.decode()


def test_visits_outside_the_new_hours_are_named(
    desk: Client, volunteer: Participant, booker: Actor
) -> None:
    week = the_lab.wishes("2026-11-24", "2026-11-30")
    series_book(participant=volunteer, option=the_lab.find(volunteer, week)[0], actor=booker)
    assert "Booked outside" not in desk.get(url("resource_rota")).content.decode()
    take(desk, preview(desk, f"{HEAD}Room 1,2026-11-24,15:00,20:00\n"))
    html = desk.get(url("resource_rota")).content.decode()
    assert f"{volunteer.code} visit 1: Room 1" in html
    desk.post(url("resource_shift_remove", uid=Shift.objects.get().uid))
    assert "Booked outside" not in desk.get(url("resource_rota")).content.decode()


def test_who_may_not_and_the_example(client_of: ClientOf, experimenter: Any, lab: None) -> None:
    client = client_of(experimenter)
    assert preview(client, TWO).status_code == 403
    assert client.get(url("resource_rota")).status_code == 200
    example = client.get(url("resource_rota_example")).content
    assert b"Helper Number1,2026-11-24,08:00,16:30" in example


def test_overlaps_are_refused_by_plain_sql_and_named_in_the_form(desk: Client) -> None:
    at, room = datetime(2026, 11, 24, 12, tzinfo=UTC), the_lab.room()
    Shift.objects.create(resource=room, during=span(at, at + timedelta(hours=2)))
    with pytest.raises(IntegrityError), transaction.atomic():
        Shift.objects.create(resource=room, during=span(at, at + timedelta(hours=1)))
    form = {"resource": room.pk, "start": "2026-11-24T09:00", "end": "2026-11-24T10:00"}
    answer = desk.post(url("resource_shift_add"), form)
    assert answer.status_code == 409
    assert "Another shift stands at that time" in answer.content.decode()
    wrong = desk.post(url("resource_shift_add"), form | {"end": "2026-11-24T08:00"})
    assert (wrong.status_code, "end" in wrong.context["form"].errors) == (422, True)


def test_queries_do_not_grow(desk: Client, django_assert_max_num_queries: Any) -> None:
    take(desk, preview(desk, TWO))
    with django_assert_max_num_queries(30):
        desk.get(url("resource_rota"))
