"""A site with a gateway for short messages and no mail server, against a real HTTP server."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from studylab import clock
from studylab.outbox.models import AttemptEnd, Message
from studylab.outbox.rules import words
from studylab.outbox.services import sending
from studylab.outbox.services.queue import message_queue
from studylab.outbox.services.reach import reach_write
from studylab.participants.services import contact_change
from tests.outbox.conftest import ACTOR, queue_staff
from tests.outbox.test_gateway import server  # noqa: F401  (fixture)
from tests.outbox.test_status_line import mail
from tests.participants import people

pytestmark = pytest.mark.django_db


@pytest.fixture
def gateway(server: Any, settings: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:  # noqa: F811
    """The site's gateway, and nothing else."""
    settings.SMTP_HOST = settings.MAIL_FROM = ""
    settings.TEXT_URL = f"http://127.0.0.1:{server.server_port}/202"
    row = {"subject": "Tried", "text": "{when}", "short": "{when}"}
    monkeypatch.setitem(words._file(words.NATIVE), "tried", row)
    server.seen.clear()
    return server


def agree(ana: Any, keeper: Any, noon: Any, channel: str = "short", phone: str = "+1 902 555 0110") -> None:  # fmt: skip
    contact_change(participant=ana, details=people.like(people.ANA, phone=phone), actor=keeper)
    reach_write(
        participant=ana, channel=channel, short_agreed=True, zone="", said_at=noon, seen=0, actor=keeper
    )  # fmt: skip


def queue(ana: Any, noon: Any, number: int = 1) -> None:
    message_queue(
        kind="tried", study=ana.study, participant=ana, about=f"thing:{number}", due_at=noon,
        useful_until=noon + timedelta(days=1), key=f"own:{number}", language="en", actor=ACTOR,
    )  # fmt: skip


def send_due(at: Any) -> list[Any]:
    with clock.travel(at):
        return [sending.send(number) for number in sending.claim_due(at)]


@pytest.mark.parametrize("channel", ["short", "mail"])
def test_who_agreed_gets_a_short_message(
    ana: Any, keeper: Any, noon: Any, gateway: Any, channel: str
) -> None:
    """Also who would rather have a mail: it is the only way that there is."""
    agree(ana, keeper, noon, channel)
    queue(ana, noon)
    assert send_due(noon) == ["sent"]
    ((_path, _headers, body),) = gateway.seen
    assert (body["to"], body["text"]) == ("+19025550110", "Occasion own:1")
    assert AttemptEnd.objects.get().outcome == "sent"


def test_who_did_not_agree_and_staff_wait_untouched(
    ana: Any, lead: Any, noon: Any, gateway: Any
) -> None:
    queue(ana, noon)
    queue_staff(ana.study, lead, due_at=noon, useful_until=noon + timedelta(days=1))
    assert send_due(noon) == []
    assert set(Message.objects.values_list("state", "attempts", "note")) == {("waiting", 0, "")}
    assert gateway.seen == []


def test_what_can_only_go_by_mail_waits_with_the_reason_and_goes_once_it_can(
    ana: Any, keeper: Any, noon: Any, gateway: Any, settings: Any
) -> None:
    """At night no telephone rings (demo.toml: 21:00 to 08:00; 03:00 UTC is 00:00 in Halifax in March)."""
    agree(ana, keeper, noon)
    queue(ana, noon)
    night = noon + timedelta(hours=15)
    assert send_due(night) == ["waiting"]
    row = Message.objects.get()
    assert (row.attempts, row.next_at) == (0, night + sending.LOOK_AGAIN)
    assert row.note == sending.NO_SERVER
    assert gateway.seen == []
    assert send_due(noon + timedelta(hours=23)) == ["sent"]
    assert Message.objects.get().note == ""


def test_a_refusal_of_the_gateway_needs_a_person(
    ana: Any, keeper: Any, noon: Any, gateway: Any, settings: Any
) -> None:
    settings.TEXT_URL = settings.TEXT_URL.replace("202", "400")
    agree(ana, keeper, noon)
    queue(ana, noon)
    assert send_due(noon) == ["refused"]
    assert Message.objects.get().note == "The gateway answered 400."


def test_the_status_says_which_messages_go_out(gateway: Any, settings: Any) -> None:
    assert mail().text.startswith("Off: no mails go out, short messages do.")
    settings.TEXT_URL = ""
    assert mail().text.startswith("Off: no messages are sent.")
