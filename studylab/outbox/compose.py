"""What goes out: one message in one language to one addressee, made from its words and its values.

Which words those are is a matter of `selectors.wording`; here they become a mail with a plain and an HTML part, or a
short message. Nothing goes out that says what no message says, whoever wrote it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from email.headerregistry import Address

from django.conf import settings
from django.utils import translation

from studylab import clock
from studylab.errors import Refused
from studylab.keys import site_keys
from studylab.outbox.kinds import Attachment, Audience, MessageKind, kind_of
from studylab.outbox.models import Message
from studylab.outbox.names import medicine_names
from studylab.outbox.rules.return_path import return_path, token_of
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.rules.wording import html, parse, plain, subject_line
from studylab.outbox.rules.words import NATIVE, Words, short_text
from studylab.outbox.selectors.reach import Way, way_of, zone_of
from studylab.outbox.selectors.timing import quiet_hours
from studylab.outbox.selectors.undelivered import bad_address
from studylab.outbox.selectors.wording import sender_of, words_for
from studylab.participants.selectors import contact_details

_TAGS = {"en": "en", "fr-ca": "fr-CA"}  # BCP 47


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


def mail_keys() -> tuple[bytes, ...]:
    """Return the keys of the addresses to which mails come back, derived from the site's own."""
    return site_keys("studylab returned mail 1")


def mail_key() -> bytes:
    """Return the key for what goes out now."""
    return mail_keys()[0]


def compose(message: Message) -> Composed:
    """Return what goes out for a message; NotSendable where it says too much or nobody can get it."""
    kind = kind_of(message.kind)
    words, language = _words(message, kind)
    way = _way(message)
    message.language = language  # the values are in the language of the words, never in another
    with translation.override(language):
        values = kind.values(message)
        attachments = tuple(kind.attach(message)) if kind.attach else ()
    fields = tuple(field.name for field in kind.fields)
    subject = subject_line(parse(words.subject, fields, "Subject"), values)
    pieces = parse(words.text, fields, "Text")
    text = plain(pieces, values)
    short = short_text(words, fields, values) if way.short_to else ""
    _check(f"{subject}\n{text}\n{short}", language)
    if not short and not way.mail_to:
        raise NotSendable("There is no e-mail address to send this to. Call the volunteer.")
    name, reply_to = sender_of(message.study, language)
    return Composed(
        sender=_sender(name), to=way.mail_to, subject=subject, text=text,
        html=html(pieces, values, language=_TAGS[language], title=subject),
        headers=_headers(message, language, reply_to), attachments=attachments, return_path=_return_path(message),
        short_to=way.short_to if short else "", short=short,
    )  # fmt: skip


def _words(message: Message, kind: MessageKind) -> tuple[Words, str]:
    """Return the words and their language; staff read English."""
    staff = kind.audience == Audience.STAFF
    try:
        return words_for(message.study, kind.key, NATIVE if staff else message.language)
    except KeyError:
        raise NotSendable(
            f"There are no words for “{kind.title}”. Tell whoever runs the site."
        ) from None


def _way(message: Message) -> Way:
    """Return where the message goes: to one addressee."""
    if message.invitation is not None:
        return Way(message.invitation.email, "")
    if message.participant is None:
        assert message.user is not None, "a message has an addressee"
        return Way(message.user.email, "")
    details = contact_details(message.participant.person)
    if details is None:
        raise NotSendable("The contact details were erased.")
    hours = quiet_hours(message.participant.study)
    quiet = hours is not None and hours.covers(clock.now(), zone_of(message.participant))
    way = way_of(message.participant, details, quiet=quiet)
    if not way.short_to and bad_address(message.participant) is not None:
        raise NotSendable(
            "Mails to this address come back. Call the volunteer and change the address."
        )
    return way


def _check(text: str, language: str) -> None:
    found = unsaid_in(text, language, medicine_names(), addresses=False)
    if found:
        raise NotSendable(f"{found[0].sentence} Change the words of this message.")


def _sender(name: str) -> str:
    """Return who a mail is from; "" on a site that sends short messages only."""
    return str(Address(name, addr_spec=settings.MAIL_FROM)) if settings.MAIL_FROM else ""


def _return_path(message: Message) -> str:
    return return_path(settings.MAIL_BOUNCES, message.pk, mail_key()) if settings.MAIL_BOUNCES else settings.MAIL_FROM  # fmt: skip


def _headers(message: Message, language: str, reply_to: str) -> dict[str, str]:
    """Return the headers that keep machines from answering (RFC 3834) and name the mail for good (RFC 5322, 3.6.4)."""
    domain = settings.MAIL_FROM.rpartition("@")[2]
    headers = {
        "Message-ID": f"<{token_of(message.pk, mail_key())}@{domain}>",
        "Auto-Submitted": "auto-generated",
        "X-Auto-Response-Suppress": "All",
        "Content-Language": _TAGS[language],
    }
    return {**headers, "Reply-To": reply_to} if reply_to else headers
