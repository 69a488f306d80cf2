"""What somebody does about a refusal, where it stands, and until when. Answers by RFC 5321, 4.2.3, and RFC 3463."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.outbox.models import Message, Undelivered
from studylab.outbox.rules import refusal
from studylab.outbox.rules.refusal import what_to_do
from studylab.outbox.rules.states import NEEDS_PERSON, State
from studylab.outbox.selectors.undelivered import bad_address, to_look_after
from studylab.outbox.services import sending
from studylab.outbox.services.queue import message_queue
from studylab.outbox.services.undelivered import mark_refused
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


def queue(person: Any, number: int) -> Message:
    made = message_queue(
        kind="tried", study=person.study, participant=person, about=f"thing:{number}", due_at=NOON,
        useful_until=NOON + timedelta(days=1), key=f"own:{number}", language="en", actor=ACTOR,
    )  # fmt: skip
    assert made is not None
    return made


def send_all(at: Any) -> None:
    with clock.travel(at):
        for number in sending.claim_due(at):
            sending.send(number)


def not_offered_again(ana: Any, page: str) -> None:
    """The address is marked, once as an item, and that server is not asked again."""
    marked = Undelivered.objects.get()
    assert (marked.action, marked.status, marked.bad_address) == ("refused", "5.1.1", True)
    assert "mails come back" in page
    assert to_look_after(ana.study) == []  # the message itself is the item
    queue(ana, 2)
    send_all(NOON)
    assert Message.objects.get(key="own:2").state == "failed"


@pytest.mark.django_db
def test_a_refusal_stands_on_the_volunteers_page_and_the_front_page_until_somebody_decides(
    ana: Any, office: Any, keeper: Any, post: Post  # noqa: F811
) -> None:  # fmt: skip
    person, front = (reverse(page, args=[ana.study.slug, *more]) for page, more in (("volunteer", [ana.code]), ("home", [])))  # fmt: skip
    assert "Messages that did not go out" not in office.get(person).content.decode()
    contact_change(
        participant=ana, details=people.like(people.ANA, email="refused@mail.example"), actor=keeper
    )  # fmt: skip
    queue(ana, 1)
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
    not_offered_again(ana, page)
    with clock.travel(NOON + timedelta(minutes=1)):
        contact_change(
            participant=ana, details=people.like(people.ANA, email="taken@mail.example"), actor=keeper
        )  # fmt: skip
    assert "mails come back" not in office.get(person).content.decode()
    data = {"decision": "again", "note": "Asked, wrong letter.", "shown": asked.context["shown"]}
    assert office.post(here, data).status_code == 302
    assert refusal.ADDRESS not in office.get(front).content.decode()
    page = office.get(person).content.decode()
    assert "Send it again." in page
    assert refusal.ADDRESS not in page
    send_all(NOON)
    assert Message.objects.get(key="own:1").state == "sent"
    assert list(post.to) == ["taken@mail.example"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("answer", "status"),
    [("550 5.1.1 <[address]>: no such user", "5.1.1"), ("550 No mailbox here", "5.0.0"),
     ("550 5.7.1 Not from you", None), ("552 5.2.2 Mailbox full", None), ("The gateway answered 400.", None)],
)  # fmt: skip
def test_only_a_refusal_because_of_the_address_marks_it_each_time(
    ana: Any, answer: str, status: str | None
) -> None:
    message = queue(ana, 1)
    for _ in range(2):  # sent again to another wrong address
        mark_refused(message, answer)
    found = [(one.status, one.bad_address) for one in Undelivered.objects.all()]
    assert found == ([(status, True)] * 2 if status else [])
    assert (bad_address(ana) is not None) is bool(status)
    assert Event.objects.filter(action=Action.MESSAGE_CAME_BACK).count() == len(found)
