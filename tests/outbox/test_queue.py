"""The outbox: a row first, each occasion once, one addressee, and no way back that the database would allow."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction

from studylab import clock
from studylab.outbox.models import Message
from studylab.outbox.services.queue import message_drop
from tests.outbox.conftest import ACTOR, NOON, queue_staff

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _at_noon() -> Any:
    with clock.travel(NOON):
        yield


def test_an_occasion_is_queued_once(study: Any, lead: Any) -> None:
    first = queue_staff(study, lead)
    assert (first.state, first.next_at, first.attempts) == ("waiting", NOON, 0)
    assert queue_staff(study, lead, due_at=NOON + timedelta(hours=1)) is None
    assert Message.objects.get() == first


def test_what_is_of_no_use_any_more_is_not_queued(study: Any, lead: Any) -> None:
    assert queue_staff(study, lead, due_at=NOON - timedelta(hours=2), useful_until=NOON) is None
    assert not Message.objects.exists()


def test_what_is_not_wanted_any_more_is_dropped_and_the_rest_stays(study: Any, lead: Any) -> None:
    for number in (1, 2):
        queue_staff(study, lead, number)
        queue_staff(study, lead, number, key=f"other:{number}")
    dropped = message_drop(study=study, about="thing:1", reason="Moved.", keep=("other:1",), actor=ACTOR)  # fmt: skip
    assert dropped == 1
    states = dict(Message.objects.values_list("key", "state"))
    assert states == {"tried:1": "dropped", "other:1": "waiting", "tried:2": "waiting", "other:2": "waiting"}  # fmt: skip


@pytest.mark.parametrize(
    "change",
    [
        "state = 'sent', sent_at = now()",  # sent without ever having been handed over
        "state = 'sending'",  # handed over by nobody
        "state = 'claimed'",
        "state = 'somewhere'",
        "state = 'dropped'",  # without a reason
        "user_id = NULL",
        "key = 'another'",
        "due_at = due_at + interval '1 hour'",
        "sent_at = now()",
        "decision = 'leave'",
    ],
)
def test_the_database_refuses_states_that_cannot_be(study: Any, lead: Any, change: str) -> None:
    queue_staff(study, lead)
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"UPDATE outbox_message SET {change}")


def test_what_was_dropped_stays_so(study: Any, lead: Any) -> None:
    queue_staff(study, lead)
    message_drop(study=study, about="thing:1", reason="Moved.", actor=ACTOR)
    with pytest.raises(IntegrityError), transaction.atomic():
        Message.objects.update(state="waiting")
