"""Two people have the same record open: the second is told what the first changed, keeps what was typed, and decides."""

import re
import threading
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from scheduling.models import Dose, Place, Resource, StepRecord
from studylab import clock
from studylab.access import Role
from studylab.audit.models import Event
from studylab.participants.models import AdverseEvent
from studylab.people.models import Device
from tests.access.world import World
from tests.cast import join, make_user
from tests.hostile.forms import Form, read

pytestmark = [pytest.mark.django_db]


@dataclass
class Edit:
    """A record, its form, and what each of two people makes of it."""

    name: str
    args: Any
    role: Role
    first: dict[str, str]
    second: dict[str, str]
    tells: str  # what the second is shown of what the first did
    also: dict[str, str] = field(default_factory=dict)  # what both must fill in besides
    opens_by_post: bool = False


def contact(world: World) -> Edit:
    return Edit(
        "volunteer_contact_change", [world.participants[1].code], Role.COORDINATOR,
        {"phone": "+1 902 555 0177"}, {"address": "4 Quay Street"}, "+1 902 555 0177", opens_by_post=True,
    )  # fmt: skip


def contact_same_field(world: World) -> Edit:
    return Edit(
        "volunteer_contact_change", [world.participants[1].code], Role.COORDINATOR,
        {"phone": "+1 902 555 0177"}, {"phone": "+1 902 555 0188"}, "changed this to “+1 902 555 0177”", opens_by_post=True,
    )  # fmt: skip


def room(world: World) -> Edit:
    uid = Resource.objects.filter(kind="lab room").earliest("pk").uid
    return Edit(
        "resource_change",
        [uid],
        Role.LEAD,
        {"name": "Room North"},
        {"name": "Room South"},
        "“Room North”",
    )


def hours(world: World) -> Edit:
    uid = Resource.objects.filter(kind="lab room").earliest("pk").uid
    return Edit(
        "resource_hours",
        [uid],
        Role.LEAD,
        {"day_0": "07:00-12:00"},
        {"day_1": "08:00-11:00"},
        "07:00-12:00",
    )


def tablet(world: World) -> Edit:
    return Edit(
        "device",
        [Device.objects.get().uid],
        Role.LEAD,
        {"lock_minutes": "10"},
        {"lock_minutes": "15"},
        "changed this to “10",
    )


def second_step(world: World) -> Edit:
    return Edit(
        "second_step_roles", [], Role.LEAD, {"roles": "monitor"}, {"roles": "lead"}, "Monitor”"
    )


def dose_time(world: World) -> Edit:
    dose = Dose.objects.latest("given_at")
    at = [f"2026-02-11T{time}" for time in ("11:47", "11:48")]
    return Edit(
        "dose_correct", [dose.visit.uid], Role.EXPERIMENTER, {"given_at": at[0]}, {"given_at": at[1]}, "2026-02-11T11:47",
        {"reason": "The clock on the wall was slow."},
    )  # fmt: skip


def step(world: World) -> Edit:
    record = StepRecord.objects.filter(step="screen_distance", superseded_by=None).latest("pk")
    return Edit(
        "step_correct", [record.visit.uid, record.step], Role.EXPERIMENTER, {"value": "71"}, {"value": "73"}, "71 cm",
        {"reason": "Measured again."},
    )  # fmt: skip


def event_more(world: World) -> Edit:
    return Edit(
        "event_more", [AdverseEvent.objects.latest("pk").uid], Role.EXPERIMENTER, {"grade": "2"}, {"action": "A drink."},
        "What they entered stands here now", {"note": "Said on the phone."},
    )  # fmt: skip


def event_correct(world: World) -> Edit:
    return Edit(
        "event_correct", [AdverseEvent.objects.latest("pk").uid], Role.EXPERIMENTER, {"what": "Fainted by the lift."},
        {"what": "Fainted on the stairs."}, "“Fainted by the lift.”", {"note": "It was elsewhere."},
    )  # fmt: skip


EDITS = [
    contact,
    contact_same_field,
    room,
    hours,
    tablet,
    second_step,
    dose_time,
    step,
    event_more,
    event_correct,
]


def other_of(world: World) -> Any:
    """A second person with the same blinded roles."""
    user = make_user("Ottilie Second")
    for role in (Role.COORDINATOR, Role.EXPERIMENTER, Role.LEAD):
        join(user, world.study, role)
    return user


def form_of(answer: Any, wanted: dict[str, str]) -> Form:
    """The form of a page that has the fields wanted."""
    forms = read(answer.content.decode()).forms
    return next(one for one in forms if wanted.keys() <= {field.name for field in one.fields})


def filled(form: Form, changes: dict[str, str]) -> dict[str, Any]:
    """What a browser sends: what stands in the form, and what somebody typed over it."""
    data: dict[str, Any] = {}
    for one in form.fields:
        if one.kind in ("radio", "checkbox"):
            if one.checked and one.name not in changes:
                data.setdefault(one.name, []).append(one.value or "on")
        else:
            data[one.name] = one.value
    return data | changes


def opened(client: Client, edit: Edit, address: str) -> Any:
    answer = client.post(address) if edit.opens_by_post else client.get(address)
    assert answer.status_code == 200, (edit.name, answer.status_code)
    return answer


@pytest.mark.parametrize("case", EDITS, ids=lambda case: case.__name__)
def test_the_second_sees_what_the_first_changed(middle: World, client_of: Any, case: Any) -> None:
    with clock.travel(middle.now):
        edit = case(middle)
        address = reverse(edit.name, args=[middle.study.slug, *edit.args])
        first, second = client_of(middle.people[edit.role]), client_of(other_of(middle))
        pages = [opened(one, edit, address) for one in (first, second)]
        mine, theirs = (
            filled(form_of(page, changes), edit.also | changes)
            for page, changes in zip(pages, (edit.first, edit.second), strict=True)
        )
        answer = first.post(address, mine)
        assert answer.status_code == 302, errors(answer)
        events = Event.objects.count()
        answer = second.post(address, theirs)
        assert answer.status_code == 409, errors(answer)
        assert Event.objects.count() == events
        page = answer.content.decode()
        assert edit.tells in page
        again = form_of(answer, edit.second)
        kept = {one.name: one for one in again.fields if one.kind not in ("radio", "checkbox")}
        for name, typed in (edit.second | edit.also).items():
            assert name not in kept or kept[name].value == typed
        data = filled(again, edit.second if not edit.second.keys() <= kept.keys() else {})
        for name in (
            edit.first.keys() - edit.second.keys() & data.keys()
        ):  # what only the first touched
            assert data[name] in (edit.first[name], [edit.first[name]])
        answer = second.post(address, data)
        assert answer.status_code == 302, errors(answer)


def errors(answer: Any) -> str:
    """What a page says is wrong."""
    return " / ".join(re.findall(r'invalid-feedback">(.*?)</', answer.content.decode(), re.S))[:600]


@pytest.mark.django_db(transaction=True)
def test_two_at_the_same_moment(study: Any, lead: Any, client_of: Any) -> None:
    """Both passed the look at the form: the lock decides, and one of them is told."""
    row = Resource.objects.create(kind="lab room", name="Room 1", timezone=study.timezone)
    Place.objects.create(resource=row, index=1)
    address = reverse("resource_change", args=[study.slug, row.uid])
    clients = [client_of(lead) for _ in range(4)]
    page = form_of(clients[0].get(address), {"name": ""})
    barrier, statuses = threading.Barrier(4), []

    def send(client: Client, name: str) -> None:
        try:
            data = filled(page, {"name": name})
            del data["form_key"]
            barrier.wait(10)
            statuses.append(client.post(address, data).status_code)
        finally:
            connection.close()

    threads = [
        threading.Thread(target=send, args=[one, f"Room {n}"]) for n, one in enumerate(clients, 11)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [302, 409, 409, 409]
    assert Event.objects.filter(subject_code=row.uid).count() == 1
