"""One message over a real connection to a real mail server, which answers as the addressee's name asks."""

import socket
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from studylab import clock
from studylab.outbox.channels import smtp as smtp_module
from studylab.outbox.models import AttemptEnd, Message
from studylab.outbox.rules.retry import MOST, delay_after, next_try
from studylab.outbox.services import sending
from studylab.outbox.services.queue import message_drop
from studylab.outbox.services.sending import claim_due, send
from tests.outbox.conftest import ACTOR, NOON, queue_staff
from tests.outbox.mail_server import Post, mail_server, one_mail_each
from tests.outbox.tried import unwanted

pytestmark = pytest.mark.django_db


@pytest.fixture
def post(settings: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Post]:
    """A mail server that the site is set up for."""
    post = Post()
    monkeypatch.setattr(smtp_module, "FINAL", 1)
    with mail_server(post) as port, clock.travel(NOON):
        mail_to(settings, port)
        yield post


def mail_to(settings: Any, port: int) -> None:
    settings.SMTP_HOST, settings.SMTP_PORT, settings.SMTP_SECURITY = "127.0.0.1", port, "none"
    settings.SMTP_SECONDS, settings.MAIL_FROM = 1, "study@lab.example"
    sending._channel().close()


def to(user: Any, name: str) -> Any:
    user.email = f"{name}@mail.example"
    user.save()
    return user


def try_once(at: Any = NOON) -> Message:
    """Claim and send whatever is due; return the only message as it stands then."""
    with clock.travel(at):
        for number in claim_due(at):
            send(number)
    return Message.objects.get()


def test_a_message_is_sent_once_and_says_so_before_and_after(
    study: Any, lead: Any, post: Post
) -> None:
    queue_staff(study, to(lead, "taken"))
    (number,) = claim_due(NOON)
    assert claim_due(NOON) == []
    assert [send(number), send(number)] == ["sent", None]
    message = Message.objects.get()
    assert (message.state, message.sent_at, message.attempts) == ("sent", NOON, 1)
    assert post.recipients == [["taken@mail.example"]]
    end = AttemptEnd.objects.get(attempt__message=message)
    assert (end.attempt.number, end.attempt.begun_at, end.outcome) == (1, NOON, "sent")
    assert list(post.taken.values()) == [1]
    assert b"Occasion tried:1" in post.mails[0]


@pytest.mark.parametrize(
    ("name", "state", "outcome", "says"),
    [
        ("later", "waiting", "later", "450 4.2.1"),
        ("refused", "refused", "refused", "550 5.1.1"),
        ("slowrcpt", "waiting", "later", "did not answer"),
        ("broken", "waiting", "later", "broke off"),
        ("content_later", "waiting", "later", "452 4.3.1"),
        ("content_refused", "refused", "refused", "554 5.6.0"),
        ("dropped", "question", "unknown", "After the content was begun"),
        ("silent", "question", "unknown", "After the content was begun"),
    ],
)  # fmt: skip
def test_what_the_server_does_decides_where_it_stands(
    study: Any, lead: Any, post: Post, name: str, state: str, outcome: str, says: str
) -> None:
    """RFC 5321, 4.2.1: 4 is for the moment, 5 for good. A silence after the content tells nothing."""
    queue_staff(study, to(lead, name))
    message = try_once()
    end = AttemptEnd.objects.get()
    assert (message.state, end.outcome) == (state, outcome)
    assert says in message.note
    assert says in end.answer
    assert name not in end.answer.replace("[address]", "")
    if state == "waiting":
        assert message.next_at == NOON + timedelta(minutes=1)
    # A minute later only what was surely not taken is tried again.
    post.later = 0
    try_once(NOON + timedelta(minutes=1))
    assert AttemptEnd.objects.count() == (2 if state == "waiting" else 1)


def test_no_server_at_all_is_tried_again_until_it_is_of_no_use(
    study: Any, lead: Any, settings: Any
) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        mail_to(settings, unused.getsockname()[1])
        with clock.travel(NOON):
            queue_staff(study, lead, useful_until=NOON + timedelta(minutes=5))
        first = try_once()
        assert (first.state, first.next_at) == ("waiting", NOON + timedelta(minutes=1))
        second = try_once(first.next_at)
        assert (second.state, second.next_at) == ("waiting", NOON + timedelta(minutes=3))
        third = try_once(second.next_at)
        assert third.state == "failed"
        assert "after 3 tries" in third.note


def test_delays_grow_to_an_hour_and_end() -> None:
    assert [delay_after(n) / timedelta(minutes=1) for n in (1, 2, 3, 6, 7, 20)] == [
        1,
        2,
        4,
        32,
        60,
        60,
    ]
    far = NOON + timedelta(days=30)
    assert next_try(MOST - 1, NOON, far) == NOON + timedelta(hours=1)
    assert next_try(MOST, NOON, far) is None
    assert next_try(1, NOON, NOON + timedelta(minutes=1)) is None


def test_without_a_mail_server_messages_wait(study: Any, lead: Any, settings: Any) -> None:
    settings.SMTP_HOST = ""
    with clock.travel(NOON):
        queue_staff(study, lead)
    assert try_once().state == "waiting"


def test_what_is_too_late_is_marked_and_not_sent(study: Any, lead: Any, post: Post) -> None:
    queue_staff(study, to(lead, "taken"))
    (number,) = claim_due(NOON)
    with clock.travel(NOON + timedelta(days=1)):
        assert send(number) == "too_late"
    assert not post.taken
    queue_staff(study, lead, 2)
    assert sending.end_too_late(NOON + timedelta(days=1)) == 1


def test_what_is_not_wanted_at_sending_is_dropped_with_the_reason(
    study: Any, lead: Any, post: Post
) -> None:
    queue_staff(study, to(lead, "taken"))
    unwanted["thing:1"] = "The visit was cancelled."
    message = try_once()
    assert (message.state, message.note) == ("dropped", "The visit was cancelled.")
    assert not post.taken


def test_what_is_dropped_while_it_is_claimed_is_not_sent(
    study: Any, lead: Any, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between naming the addressee to the server and the content, the visit is moved."""
    queue_staff(study, to(lead, "taken"))
    prepare = smtp_module.SmtpChannel.prepare

    def meanwhile(*given: Any) -> Any:
        ready = prepare(*given)
        message_drop(study=study, about="thing:1", reason="Moved.", actor=ACTOR)
        return ready

    monkeypatch.setattr(smtp_module.SmtpChannel, "prepare", meanwhile)
    assert try_once().state == "dropped"
    assert not post.taken
    assert not AttemptEnd.objects.exists()


@pytest.mark.parametrize(
    "address", ["two@a.example, three@b.example", "grün@mail.example", "no-address"]
)
def test_an_address_that_is_not_one_address_needs_a_person(
    study: Any, lead: Any, post: Post, address: str
) -> None:
    lead.email = address
    lead.save()
    queue_staff(study, lead)
    message = try_once()
    assert (message.state, message.attempts) == ("failed", 0)
    assert address not in message.note
    assert not post.taken


def test_a_kind_that_breaks_needs_a_person_and_others_go_on(
    study: Any, lead: Any, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue_staff(study, to(lead, "taken"))
    queue_staff(study, lead, 2)
    broken = Message.objects.get(key="tried:1")
    monkeypatch.setattr(
        sending, "compose", lambda m, real=sending.compose: 1 // 0 if m.pk == broken.pk else real(m)
    )
    for number in claim_due(NOON):
        send(number)
    assert dict(Message.objects.values_list("key", "state")) == {
        "tried:1": "failed",
        "tried:2": "sent",
    }


def test_answers_name_nobody() -> None:
    said = smtp_module._said(550, b"5.1.1 <Ana.Lopez@mail.example>: user ana.lopez unknown", "ana.lopez@mail.example")  # fmt: skip
    assert said == "550 5.1.1 <[address]>: user [address] unknown"


def test_a_connection_that_lay_idle_is_made_anew(study: Any, lead: Any, settings: Any) -> None:
    """A server that ends the connection after each mail: the next one goes over a new connection, once."""
    taken: list[bytes] = []
    with one_mail_each(taken) as port, clock.travel(NOON):
        mail_to(settings, port)
        for number in (1, 2, 3):
            queue_staff(study, lead, number)
        for number in claim_due(NOON):
            assert send(number) == "sent"
    assert len(taken) == 3
    assert AttemptEnd.objects.count() == 3
