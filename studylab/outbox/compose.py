"""What goes out: one message in one language to one addressee."""

from collections.abc import Mapping
from dataclasses import dataclass
from email.headerregistry import Address

from django.conf import settings
from django.utils import translation

from studylab.errors import Refused
from studylab.outbox.kinds import Attachment, kind_of
from studylab.outbox.models import Message
from studylab.participants.selectors import contact_details


class NotSendable(Refused):
    """A message cannot go out as it is; the sentence says what somebody has to do."""


@dataclass(frozen=True, slots=True)
class Composed:
    """A message ready to go: a mail, or a short message when `short_to` is a number.

    `return_path` is where the mail comes back to; `headers` are those beyond sender, addressee and subject.
    """

    sender: str
    to: str
    subject: str
    text: str
    html: str
    headers: Mapping[str, str]
    attachments: tuple[Attachment, ...]
    return_path: str
    short_to: str = ""
    short: str = ""


def compose(message: Message) -> Composed:
    """Return what goes out for a message; NotSendable where nobody can get it."""
    kind = kind_of(message.kind)
    to = _address(message)
    with translation.override(message.language):
        values = kind.values(message)
        attachments = tuple(kind.attach(message)) if kind.attach else ()
    text = "\n\n".join(value for value in values.values() if value) + "\n"
    return Composed(
        sender=str(Address("Study team", addr_spec=settings.MAIL_FROM)), to=to, subject=kind.title,
        text=text, html="", attachments=attachments, return_path=settings.MAIL_FROM,
        headers={
            "Message-ID": f"<{message.uid}@{settings.MAIL_FROM.rpartition('@')[2]}>",
            "Auto-Submitted": "auto-generated",
        },
    )  # fmt: skip


def _address(message: Message) -> str:
    if message.participant is None:
        assert message.user is not None, "a message has an addressee"
        return message.user.email
    details = contact_details(message.participant.person)
    if details is None:
        raise NotSendable("The contact details were erased.")
    if not details.email:
        raise NotSendable("There is no e-mail address to send this to. Call the volunteer.")
    return details.email
