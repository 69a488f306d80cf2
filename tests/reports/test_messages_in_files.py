"""What of messages leaves the house: those to volunteers, by code, without address, text or running number."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from screening.services.notes import note_record
from studylab import clock
from studylab.access import Role, system_actor
from studylab.outbox.models import Message
from studylab.outbox.services.queue import message_queue
from studylab.outbox.services.reach import reach_write
from studylab.people.selectors import actor_for
from studylab.reports.selectors.export_tables import export_tables
from studylab.reports.selectors.person_copy import copy_of
from tests.access.world import World

pytestmark = pytest.mark.django_db


@pytest.fixture
def who(world: World) -> Iterator[Any]:
    """Somebody who was dosed, at the moment of the world, with a message of their own; a pharmacist has one too."""
    with clock.travel(world.now):
        person = next(one for one in world.participants if one.doses.exists())
        for kind, more, key in (
            ("contact_ahead", {"participant": person}, "theirs"),
            ("list_low", {"user": world.people[Role.PHARMACIST]}, "not theirs"),
        ):
            message_queue(
                kind=kind, study=world.study, about="thing:1", due_at=world.now, useful_until=world.now + timedelta(days=1),
                key=key, language="en", actor=system_actor("test"), **more,
            )  # fmt: skip
        yield person


def test_no_message_to_staff_and_no_number_is_in_the_file(world: World, who: Any) -> None:
    table = next(one for one in export_tables() if one.text.name == "messages")
    names = [column.name for column in table.columns]
    rows = [dict(zip(names, row, strict=True)) for row in table.rows(world.study)]
    theirs = Message.objects.filter(study=world.study, participant__isnull=False)
    assert {row["uid"] for row in rows} == set(theirs.values_list("uid", flat=True))
    assert "theirs" in {row["key"] for row in rows}
    assert "not theirs" not in {row["key"] for row in rows}
    assert "id" not in names


def test_the_copy_has_messages_notes_and_how_the_person_is_reached(world: World, who: Any) -> None:
    actor = actor_for(world.people[Role.COORDINATOR], world.study)
    note_record(
        participant=who, told_by="relative", text="Sleeps badly.", medicine="", at=world.now, actor=actor
    )  # fmt: skip
    reach_write(
        participant=who, channel="mail", short_agreed=True, zone="Asia/Tokyo", said_at=world.now, seen=0, actor=actor
    )  # fmt: skip
    content = copy_of(who, None, world.now)
    found = [(one["what"], dict(one["values"])) for one in content["record"]]
    told = {said["kind of message"]: said for what, said in found if what == "Message"}
    assert told["When we will call"]["how far it is"] == "waiting"
    assert not any("tries" in said or "next try" in said for said in told.values())
    assert "Sleeps badly." in {
        said["in words"] for what, said in found if what == "Note of a contact"
    }
    assert ["Time zone for messages", "Asia/Tokyo"] in content["contact"]
    assert ["Agreed to short messages", "yes"] in content["contact"]
