"""What somebody does about a refusal, where it stands, and until when. Answers by RFC 5321, 4.2.3, and RFC 3463."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.outbox.models import Message
from studylab.outbox.rules import refusal
from studylab.outbox.rules.refusal import what_to_do
from studylab.outbox.rules.states import NEEDS_PERSON, State
from studylab.outbox.services import sending
from studylab.outbox.services.queue import message_queue
from studylab.participants.services import contact_change
from tests.outbox.conftest import ACTOR, NOON
from tests.outbox.mail_server import Post
from tests.outbox.test_sending import post  # noqa: F401  (fixture)
from tests.participants import people


@pytest.mark.parametrize(
    ("answer", "todo"),
    [
        ("550 5.1.1 <[address]>: no such user", refusal.ADDRESS),
        ("550 No mailbox here", refusal.ADDRESS),
        ("553 5.1.3 Bad address", refusal.ADDRESS),
        ("550 5.7.1 Not from you", refusal.POLICY),
        ("552 5.2.2 Mailbox full", refusal.POLICY),
        ("554 Transaction failed", refusal.POLICY),
        ("", refusal.POLICY),
        ("The gateway answered 400.", refusal.NUMBER),
    ],
)
def test_what_a_refusal_asks_for(answer: str, todo: str) -> None:
    assert what_to_do("refused", answer) == todo


def test_whatever_needs_a_person_says_what_to_do() -> None:
    assert {state for state in State if what_to_do(state, "")} == set(NEEDS_PERSON)


def send_all(at: Any) -> None:
    with clock.travel(at):
        for number in sending.claim_due(at):
            sending.send(number)


@pytest.mark.django_db
def test_a_refusal_stands_on_the_volunteers_page_and_the_front_page_until_somebody_decides(
    ana: Any, office: Any, keeper: Any, post: Post  # noqa: F811
) -> None:  # fmt: skip
    person, front = (reverse(page, args=[ana.study.slug, *more]) for page, more in (("volunteer", [ana.code]), ("home", [])))  # fmt: skip
    assert "Messages that did not go out" not in office.get(person).content.decode()
    contact_change(
        participant=ana, details=people.like(people.ANA, email="refused@mail.example"), actor=keeper
    )  # fmt: skip
    message_queue(
        kind="tried", study=ana.study, participant=ana, about="thing:1", due_at=NOON,
        useful_until=NOON + timedelta(days=1), key="own:1", language="en", actor=ACTOR,
    )  # fmt: skip
    send_all(NOON)
    row = Message.objects.get()
    assert row.state == "refused"
    page = office.get(person).content.decode()
    assert "Messages that did not go out" in page
    assert refusal.ADDRESS in page
    assert refusal.ADDRESS in office.get(front).content.decode()
    here = reverse("message_question", args=[ana.study.slug, row.uid])
    assert here in page
    asked = office.get(here)
    assert refusal.ADDRESS in asked.content.decode()
    assert "refused@" not in asked.content.decode().lower()
    contact_change(
        participant=ana, details=people.like(people.ANA, email="taken@mail.example"), actor=keeper
    )  # fmt: skip
    data = {"decision": "again", "note": "Asked, wrong letter.", "shown": asked.context["shown"]}
    assert office.post(here, data).status_code == 302
    assert refusal.ADDRESS not in office.get(front).content.decode()
    page = office.get(person).content.decode()
    assert "Send it again." in page
    assert refusal.ADDRESS not in page
    send_all(NOON)
    assert (Message.objects.get().state, list(post.to)) == ("sent", ["taken@mail.example"])
