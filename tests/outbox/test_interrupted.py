"""Sending that is interrupted: by a dead worker, a clock that jumps, a database that is away."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError, connection

from studylab import clock
from studylab.outbox.channels import smtp as smtp_module
from studylab.outbox.models import AttemptEnd, Message
from studylab.outbox.rules.states import Outcome
from studylab.outbox.services import sending
from studylab.outbox.services.sending import LEASE, claim_due, send
from tests.outbox.conftest import NOON, queue_staff
from tests.outbox.mail_server import Post
from tests.outbox.test_sending import post, to, try_once  # noqa: F401  (fixture)

pytestmark = pytest.mark.django_db


def test_a_claim_that_lapses_is_found_again(study: Any, lead: Any, post: Post) -> None:  # noqa: F811
    queue_staff(study, to(lead, "taken"))
    (number,) = claim_due(NOON)
    assert sending.release_lapsed(NOON) == 0
    assert sending.release_lapsed(NOON + LEASE) == 1
    with clock.travel(NOON + LEASE):
        assert send(number) is None  # the lost knock comes after all
    assert try_once(NOON + LEASE).state == "sent"
    assert sum(post.taken.values()) == 1


def test_a_clock_put_back_lets_no_claim_last_longer(study: Any, lead: Any, post: Post) -> None:  # noqa: F811
    queue_staff(study, lead, due_at=NOON - timedelta(hours=2))
    claim_due(NOON)
    assert sending.release_lapsed(NOON - timedelta(hours=1)) == 1
    message = Message.objects.get()
    assert (message.state, message.next_at) == ("waiting", NOON - timedelta(hours=2))


def test_a_clock_put_forward_that_finds_a_claim_puts_the_message_off_no_further(
    study: Any,
    lead: Any,
    post: Post,  # noqa: F811
) -> None:
    queue_staff(study, lead)
    claim_due(NOON)
    assert sending.release_lapsed(NOON + timedelta(hours=5)) == 1
    assert Message.objects.get().next_at == NOON


def test_a_worker_that_dies_while_sending_leaves_a_question(
    study: Any,
    lead: Any,
    post: Post,  # noqa: F811
) -> None:
    queue_staff(study, to(lead, "taken"))
    claim_due(NOON)
    message = Message.objects.get()
    sending._begin(message)
    assert sending.ask_about_interrupted(NOON + LEASE) == 1
    message.refresh_from_db()
    assert message.state == "question"
    assert try_once(NOON + timedelta(hours=5)).state == "question"
    assert not post.taken


def test_that_it_is_being_sent_stands_on_the_disk_before_it_leaves(
    study: Any,
    lead: Any,
    post: Post,  # noqa: F811
) -> None:
    """Also on a server that answers before it has written: a crash would let the message go out twice."""
    queue_staff(study, to(lead, "taken"))
    claim_due(NOON)
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL synchronous_commit TO off")
        sending._begin(Message.objects.get())
        cursor.execute("SHOW synchronous_commit")
        assert cursor.fetchone() == ("on",)


def test_a_worker_that_was_only_slow_settles_its_question(
    study: Any,
    lead: Any,
    post: Post,  # noqa: F811
    monkeypatch: Any,
) -> None:
    queue_staff(study, to(lead, "taken"))
    send_content = smtp_module.Ready.send

    def slowly(ready: Any) -> Any:
        told = send_content(ready)
        assert sending.ask_about_interrupted(NOON + LEASE) == 1
        return told

    monkeypatch.setattr(smtp_module.Ready, "send", slowly)
    assert try_once().state == "sent"


def test_a_database_that_is_away_spoils_no_other_mail(study: Any, lead: Any, post: Post) -> None:  # noqa: F811
    """The server was told an addressee already: it refuses a second one on that connection (503)."""
    for number in (1, 2):
        queue_staff(study, to(lead, "taken"), number)
    first, second = claim_due(NOON)

    def away(execute: Any, text: str, *given: Any) -> Any:
        if text.startswith('UPDATE "outbox_message"'):
            raise OperationalError("the server is away")
        return execute(text, *given)

    with connection.execute_wrapper(away), pytest.raises(OperationalError):
        send(first)
    assert [send(second), send(first)] == ["sent", "sent"]
    assert sorted(post.taken.values()) == [1, 1]


def test_an_outcome_is_written_once_though_the_answer_to_that_was_lost(
    study: Any,
    lead: Any,
    post: Post,  # noqa: F811
) -> None:
    """The database went away right after COMMIT: the worker writes again what stands there already."""
    queue_staff(study, to(lead, "taken"))
    message = try_once()
    again = sending._finish(message, message.tries.get(), Outcome.SENT, "250 2.0.0 Taken")
    assert again == "sent"
    assert AttemptEnd.objects.count() == 1
