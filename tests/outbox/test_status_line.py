"""What the site's status says of mail, from messages that went over a real connection or could not."""

import socket
from datetime import timedelta
from typing import Any

import pytest

from studylab import clock
from studylab.operation.rules.status import Line, State
from studylab.operation.status import status_lines
from studylab.outbox.models import Message
from studylab.outbox.services import sending
from studylab.outbox.services.queue import message_queue
from tests.outbox.conftest import ACTOR, NOON, queue_staff
from tests.outbox.mail_server import Post
from tests.outbox.test_sending import mail_to, post, to  # noqa: F401  (fixture)

pytestmark = pytest.mark.django_db


def mail(minutes: int = 0) -> Line:
    at = NOON + timedelta(minutes=minutes)
    return next(line for line in status_lines(at) if line.key == "mail")


def queue(ana: Any, number: int = 1) -> None:
    with clock.travel(NOON):
        message_queue(
            kind="tried", study=ana.study, participant=ana, about=f"thing:{number}", due_at=NOON,
            useful_until=NOON + timedelta(days=1), key=f"own:{number}", language="en", actor=ACTOR,
        )  # fmt: skip


def send_all(minutes: int = 0) -> None:
    at = NOON + timedelta(minutes=minutes)
    with clock.travel(at):
        for number in sending.claim_due(at):
            sending.send(number)


def test_off_until_a_server_is_set_and_says_what_waits(ana: Any, settings: Any) -> None:
    settings.SMTP_HOST = ""
    queue(ana)
    line = mail(60)
    assert (line.state, line.text.startswith("Off")) == (State.LOOK, True)
    assert "Last sent never; due and waiting: 1;" in line.text
    assert "STUDYLAB_SMTP_HOST" in line.todo


def test_sent_then_no_server_then_waiting_too_long(ana: Any, post: Post, settings: Any) -> None:  # noqa: F811
    queue(ana)
    send_all()
    assert list(post.to) == ["ana.lopez@mail.example"]
    line = mail()
    assert line.state == State.OK
    assert (
        "Last sent Wed 25 Nov, 12:00 UTC; due and waiting: 0; for a person to decide: 0."
        in line.text
    )
    queue(ana, 2)
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        mail_to(settings, unused.getsockname()[1])
        send_all(5)
    line = mail(6)
    assert (line.state, line.since) == (State.LOOK, NOON + timedelta(minutes=5))
    assert "due and waiting: 1;" in line.text
    assert "Last failure Wed 25 Nov, 12:05 UTC: " in line.text
    assert mail(40).state == State.WRONG, "nobody took it up again"


def test_what_needs_a_person_asks_for_a_look(ana: Any, post: Post) -> None:  # noqa: F811
    queue(ana)
    sending.claim_due(NOON)
    sending._begin(Message.objects.get())
    sending.ask_about_interrupted(NOON + sending.LEASE)
    line = mail(11)
    assert (line.state, "to decide: 1." in line.text) == (State.LOOK, True)


def test_messages_to_staff_change_nothing(study: Any, lead: Any, post: Post) -> None:  # noqa: F811
    """The lead reads this line, and what a pharmacist is written tells when stock runs low."""
    before = mail(40)
    queue_staff(study, to(lead, "taken"))
    assert mail(40) == before, "waiting"
    send_all()
    assert mail(40) == before, "sent"
    queue_staff(study, to(lead, "refused"), 2)
    send_all(1)
    assert mail(40) == before, "refused"


def test_claimed_messages_that_no_worker_hears_of_are_said(
    ana: Any,
    post: Post,  # noqa: F811
) -> None:
    queue(ana)
    with clock.travel(NOON):
        assert sending.claim_due(NOON)
    line = mail(16)
    assert (line.state, "due and waiting: 1;" in line.text) == (State.WRONG, True)
    assert "“sends”" in line.todo
