"""A composed message as the bytes of a mail: seven-bit, so that every server takes it."""

from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr

from studylab.outbox.compose import Composed, NotSendable
from studylab.participants.rules.details import email_problem

_POLICY = policy.SMTP.clone(cte_type="7bit")


def mail_bytes(composed: Composed, now: datetime) -> bytes:
    """Return the mail (RFC 5322); NotSendable when its parts make none, such as a line break in the subject."""
    mail = EmailMessage(policy=_POLICY)
    try:
        mail["From"] = composed.sender
        mail["To"] = composed.to
        mail["Subject"] = composed.subject
        mail["Date"] = format_datetime(now)
        for name, value in composed.headers.items():
            mail[name] = value
        mail.set_content(composed.text)
        if composed.html:
            mail.add_alternative(composed.html, subtype="html")
        for one in composed.attachments:
            _attach(mail, one.name, one.content_type, one.content)
        return mail.as_bytes()
    except (ValueError, UnicodeError) as problem:
        raise NotSendable(
            "This message cannot be made into a mail. Look at its words."
        ) from problem


def envelope_address(address: str) -> str:
    """Return the bare address for the envelope, its domain in ASCII; NotSendable unless it is exactly one."""
    bare = parseaddr(address)[1]
    if bare != address.strip() or email_problem(bare):
        raise NotSendable("The e-mail address is none that mail can be sent to. Correct it.")
    local, _, domain = bare.rpartition("@")
    return f"{local}@{domain.encode('idna').decode('ascii')}"


def _attach(mail: EmailMessage, name: str, content_type: str, content: bytes) -> None:
    kind, _, parameters = content_type.partition(";")
    maintype, _, subtype = kind.strip().partition("/")
    if maintype == "text":
        given = dict(
            (part.strip().partition("=")[::2]) for part in parameters.split(";") if part.strip()
        )
        charset = given.pop("charset", "utf-8")
        mail.add_attachment(
            content.decode("utf-8"), subtype=subtype, charset=charset, filename=name, params=given
        )
    else:
        mail.add_attachment(content, maintype=maintype, subtype=subtype, filename=name)
