"""What goes out for a message: headers, both parts, one addressee, and nothing that no message says."""

import hmac
from datetime import datetime, timedelta
from email import message_from_string, policy
from typing import Any

import pytest

from studylab import clock
from studylab.access import Actor
from studylab.outbox import kinds
from studylab.outbox.compose import NotSendable, compose, mail_key
from studylab.outbox.kinds import Audience, MessageField, MessageKind
from studylab.outbox.models import Message
from studylab.outbox.rules import words
from studylab.outbox.rules.return_path import number_in
from studylab.outbox.services.queue import message_queue
from studylab.outbox.services.reach import reach_write
from studylab.outbox.services.wording import sender_write
from studylab.participants.models import Participant
from studylab.participants.services import contact_change
from tests.outbox.conftest import ACTOR, NOON, queue_staff
from tests.participants import people

values: dict[str, str] = {}


@pytest.fixture(autouse=True)
def site(settings: Any, monkeypatch: pytest.MonkeyPatch, _kinds: None) -> Any:
    settings.MAIL_FROM, settings.MAIL_BOUNCES = "studies@lab.example", "bounces@lab.example"
    settings.TEXT_URL = ""
    values.clear()
    values.update(when="Tuesday, 10 March 2026, 09:30", link="https://lab.example/my/#x-arm-dose")
    fields = (MessageField("when", "the time"), MessageField("link", "the page"))
    kinds.register_kind(
        MessageKind("told", Audience.VOLUNTEER, "Told", fields, lambda _message: dict(values))
    )
    row = {"subject": "About {when}", "text": "Hello.\n\n{when}\n{link}", "short": "{when}"}
    monkeypatch.setitem(words._file("en"), "told", row)
    return settings


def queue(participant: Participant, now: datetime, language: str = "en") -> Message:
    made = message_queue(
        kind="told", study=participant.study, participant=participant, about="thing:1", due_at=now,
        useful_until=now + timedelta(days=1), key=f"told:{Message.objects.count()}", language=language, actor=ACTOR,
    )  # fmt: skip
    assert made is not None
    return made


def test_a_mail_with_its_headers(ana: Participant, noon: datetime, keeper: Actor) -> None:
    sender_write(
        study=ana.study,
        language="en",
        name="Lab, of the Harbour",
        reply_to="desk@lab.example",
        seen=0,
        actor=keeper,
    )
    message = queue(ana, noon)
    mail = compose(message)
    assert mail.to == people.ANA.email
    assert mail.sender == '"Lab, of the Harbour" <studies@lab.example>'
    assert mail.subject == "About Tuesday, 10 March 2026, 09:30"
    assert mail.text == f"Hello.\n\n{values['when']}\n{values['link']}\n"
    assert f'<a href="{values["link"]}">' in mail.html
    # RFC 3834, 5: what a machine sent by itself says so; answers to it have nobody to read them.
    assert mail.headers["Auto-Submitted"] == "auto-generated"
    assert mail.headers["Reply-To"] == "desk@lab.example"
    assert mail.headers["Message-ID"] == compose(message).headers["Message-ID"]
    assert number_in([mail.return_path], mail_key()) == message.pk
    assert number_in([mail.headers["Message-ID"]], mail_key()) == message.pk


def test_the_headers_are_right_to_a_strict_reader(ana: Participant, noon: datetime) -> None:
    mail = compose(queue(ana, noon))
    text = "".join(
        f"{name}: {value}\r\n"
        for name, value in {**mail.headers, "From": mail.sender, "To": mail.to}.items()
    )
    read = message_from_string(text + "\r\n", policy=policy.strict)
    assert all(not header.defects for header in read.values())
    assert [one.addr_spec for one in read["To"].addresses] == [people.ANA.email]


def test_no_two_messages_share_a_name_or_a_way_back(ana: Participant, noon: datetime) -> None:
    mails = [compose(queue(ana, noon)) for _ in range(3)]
    assert len({mail.return_path for mail in mails}) == 3
    assert len({mail.headers["Message-ID"] for mail in mails}) == 3


def test_the_key_is_the_sites_own(site: Any) -> None:
    before = mail_key()
    site.SECRET_KEY = "x" * 60
    assert not hmac.compare_digest(before, mail_key())


@pytest.mark.parametrize(
    "said", ["Take your capsule", "propranolol", "your asthma", "screened out"]
)
def test_a_value_that_says_too_much_keeps_the_message_back(
    ana: Participant,
    noon: datetime,
    said: str,
) -> None:
    values["when"] = said
    with pytest.raises(NotSendable, match="may not stand in a message"):
        compose(queue(ana, noon))


def test_without_its_own_words_a_message_is_english_as_a_whole(
    ana: Participant,
    noon: datetime,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    seen: list[str] = []
    kind = kinds.kind_of("told")
    kinds.register_kind(
        MessageKind(
            "told",
            kind.audience,
            "Told",
            kind.fields,
            lambda m: seen.append(m.language) or dict(values),
        )  # type: ignore[func-returns-value]
    )
    assert compose(queue(ana, noon, "fr-ca")).headers["Content-Language"] == "en"
    english = words.house_words("told")
    assert english is not None
    row = {
        "subject": "Au sujet de {when}",
        "text": "Bonjour.\n\n{when}",
        "of": english.words.digest,
    }
    monkeypatch.setitem(words._file("fr-ca"), "told", row)
    french = compose(queue(ana, noon, "fr-ca"))
    assert french.subject.startswith("Au sujet de")
    assert french.headers["Content-Language"] == "fr-CA"
    assert '<html lang="fr-CA">' in french.html
    assert french.sender.encode().isascii() or "Équipe" in french.sender
    assert seen == ["en", "fr-ca"]  # the values are in the language of the words


def test_staff_get_their_own(study: Any, lead: Any) -> None:
    with clock.travel(NOON):
        mail = compose(queue_staff(study, lead))
    assert (mail.to, mail.subject) == (lead.email, "Tried")


@pytest.fixture
def texting(site: Any, ana: Participant, keeper: Actor, noon: datetime) -> Participant:
    """Ana with a number that can be dialled from anywhere, who wishes short messages; the site has a gateway."""
    site.TEXT_URL = "https://gateway.example/send"
    number = people.like(people.ANA, phone="+1 (902) 555-0110")
    contact_change(participant=ana, details=number, actor=keeper)
    reach_write(
        participant=ana,
        channel="short",
        short_agreed=True,
        zone="",
        said_at=noon,
        seen=0,
        actor=keeper,
    )
    return ana


def test_a_short_message_to_who_wishes_it(texting: Participant, noon: datetime, site: Any) -> None:
    mail = compose(queue(texting, noon))
    assert (mail.short_to, mail.short) == ("+19025550110", values["when"])
    values["when"] = "ç" * 300
    assert compose(queue(texting, noon)).short_to == ""  # too long: a mail instead
    values["when"] = "noon"
    site.TEXT_URL = ""
    assert compose(queue(texting, noon)).short_to == ""


def test_no_telephone_rings_at_night(texting: Participant, noon: datetime) -> None:
    """demo.toml: quiet from 21:00 to 08:00; midnight UTC is 21:00 in Halifax in March (UTC-3)."""
    message = queue(texting, noon)
    with clock.travel(noon + timedelta(hours=12)):
        night = compose(message)
    assert (night.short_to, night.to) == ("", people.ANA.email)
    assert compose(message).short_to
