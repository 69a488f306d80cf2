"""What did not go out by itself waits for a person, who decides once, with a reason, on the trail."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.models import Message
from studylab.outbox.selectors.messages import chosen, needs_person
from studylab.outbox.services import sending
from studylab.outbox.services.deciding import message_decide
from studylab.outbox.services.queue import message_drop, message_queue
from studylab.reports.selectors.work_messages import unclear_messages
from tests.outbox.conftest import ACTOR, NOON, queue_staff
from tests.scheduling import lab as the_lab

pytestmark = pytest.mark.django_db


@pytest.fixture
def question(study: Any, settings: Any) -> Any:
    """A message to a volunteer whose worker died while it was handed over."""
    settings.SMTP_HOST = "127.0.0.1"
    with clock.travel(NOON):
        who = the_lab.make_participant(study, 1)
        message_queue(
            kind="tried", study=study, participant=who, about="visit:1", due_at=NOON, key="q",
            useful_until=NOON + timedelta(hours=12), language="en", actor=ACTOR,
        )  # fmt: skip
        sending.claim_due(NOON)
        sending._begin(Message.objects.get())
        sending.ask_about_interrupted(NOON + sending.LEASE)
        yield Message.objects.get()


@pytest.mark.parametrize(("decision", "state"), [("sent", "sent"), ("again", "waiting"), ("leave", "dropped")])  # fmt: skip
def test_a_decision_is_made_once_and_stands_on_the_trail(
    question: Any, coordinator: Any, actor_of: Any, decision: str, state: str
) -> None:
    actor = actor_of(coordinator)
    row = message_decide(message=question, decision=decision, note="Called at ten.", actor=actor)
    assert (row.state, row.note, row.decided_by) == (state, "Called at ten.", coordinator)
    assert (row.sent_at is not None) == (decision == "sent")
    event = Event.objects.get(action="message.decided")
    assert (event.reason, event.participant_code) == ("Called at ten.", question.participant.code)
    with pytest.raises(Conflict):
        message_decide(message=question, decision="leave", note="Again.", actor=actor)


def test_what_is_refused(question: Any, lead: Any, experimenter: Any, outsider: Any, actor_of: Any) -> None:  # fmt: skip
    for wrong, field in (({"note": " "}, "note"), ({"decision": "hide"}, "decision")):
        with pytest.raises(Refused) as caught:
            message_decide(**{"message": question, "decision": "leave", "note": "x", "actor": actor_of(lead), **wrong})  # fmt: skip
        assert caught.value.field == field
    for person in (experimenter, outsider):
        with pytest.raises(NotAllowed):
            message_decide(message=question, decision="leave", note="x", actor=actor_of(person))
    with clock.travel(NOON + timedelta(days=2)), pytest.raises(Refused, match="too late"):
        message_decide(message=question, decision="again", note="x", actor=actor_of(lead))
    question.refresh_from_db()
    assert question.state == "question"


def test_it_stands_on_the_front_page_until_it_is_decided(question: Any, study: Any, lead: Any, client_of: Any) -> None:  # fmt: skip
    client: Client = client_of(lead)
    (item,) = unclear_messages(study, NOON).items
    assert item.label == question.participant.code
    assert question.participant.code in client.get(reverse("messages", args=[study.slug]) + "?state=person").content.decode()  # fmt: skip
    page = client.get(item.url)
    shown = page.context["shown"]
    wrong = client.post(item.url, {"decision": "leave", "note": "", "shown": shown})
    assert wrong.status_code == 422
    assert client.post(item.url, {"decision": "leave", "note": "x", "shown": "other"}).status_code == 409  # fmt: skip
    assert client.post(item.url, {"decision": "leave", "note": "Told.", "shown": shown}).status_code == 302  # fmt: skip
    assert not unclear_messages(study, NOON).items


def test_it_needs_nobody_once_what_it_was_about_is_over(question: Any, study: Any) -> None:
    over = question.matters_until
    assert over >= question.useful_until
    assert list(needs_person(study, over - timedelta(seconds=1))) == [question]
    assert not needs_person(study, over)
    assert not unclear_messages(study, over).items


def test_it_needs_nobody_once_it_is_not_wanted(question: Any, study: Any) -> None:
    """The visit was moved or cancelled: the volunteer hears of that, and this message is about nothing any more."""
    assert message_drop(study=study, about="visit:1", reason="Moved.", actor=ACTOR) == 1
    assert not needs_person(study, NOON)


def test_a_site_without_mail_has_one_thing_to_do_and_not_one_for_each(
    question: Any, study: Any, settings: Any
) -> None:
    for number in (1, 2):
        message_queue(
            kind="tried", study=study, participant=question.participant, about="visit:2", key=f"late:{number}",
            due_at=NOON, useful_until=NOON + timedelta(hours=1), language="en", actor=ACTOR,
        )  # fmt: skip
    assert sending.end_too_late(NOON + timedelta(hours=1)) == 2
    settings.SMTP_HOST = ""
    late, asked = unclear_messages(study, NOON).items
    assert late.label == "This site sends no mail"
    assert str(question.uid) in asked.url, "what was tried is still somebody's to decide"


def test_the_list_begins_with_what_somebody_must_do(question: Any, study: Any) -> None:
    for number, hours in enumerate((9, 3, 6)):
        message_queue(
            kind="tried", study=study, participant=question.participant, about="visit:2", key=f"later:{number}",
            due_at=NOON + timedelta(hours=hours), useful_until=NOON + timedelta(hours=12), language="en", actor=ACTOR,
        )  # fmt: skip
    last = Message.objects.get(key="later:2")
    message_drop(study=study, about="visit:2", reason="Moved.", keep=("later:0", "later:1"), actor=ACTOR)  # fmt: skip
    seen = [row.key for row in chosen(study, "", NOON)]
    assert seen == ["q", "later:1", "later:0", last.key]


def test_messages_to_a_pharmacist_are_on_nobody_elses_page(
    study: Any, lead: Any, pharmacist: Any, client_of: Any
) -> None:
    """Blinded roles learn nothing of the stock: not that a message about it exists, nor how many there are."""
    client: Client = client_of(lead)
    url = reverse("messages", args=[study.slug])
    before = _told(client, url)
    with clock.travel(NOON):
        queue_staff(study, pharmacist)
    assert Message.objects.count() == 1
    assert _told(client, url) == before


def _told(client: Client, url: str) -> str:
    """Return the page without the secrets of its forms and the instant of its count, which are new each time."""
    return re.sub(r'[A-Za-z0-9]{64}|data-at="[^"]*"', "", client.get(url).content.decode())
