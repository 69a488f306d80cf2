"""Reading a report that a mail was not delivered (RFC 3464) with Python's e-mail package.

Only the machine-readable part counts. Answers of absent people, of filters and of people have none and say nothing
here. What is taken from a report is an action and a status (RFC 3463); its words, addresses and the mail that came
back are never kept.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.errors import MessageError
from email.message import Message

LONGEST_REPORT = 2_000_000  # octets that are read; the report stands at the beginning
_STATUS = re.compile(r"\s*([245])\.(\d{1,3})\.(\d{1,3})(?![\d.])")
_CARRIES = (
    "To",
    "Delivered-To",
    "X-Original-To",
    "Envelope-To",
)  # where our address of return stands
_ACTIONS = ("failed", "delayed", "delivered", "relayed", "expanded")
# RFC 3463: 5.1.x the address (but 5.1.7 and 5.1.8 are the sender's), 5.2.1 a mailbox that is closed, 5.4.4 a domain that
# nobody can find, 5.0.0 no more known than that it failed for good.
_SENDERS_OWN = ("5.1.7", "5.1.8")
_ADDRESS_TOO = ("5.2.1", "5.4.4", "5.0.0")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What happened to one recipient: `action` and `status` in the words of RFC 3464, such as failed, 5.1.1."""

    action: str
    status: str

    @property
    def failed(self) -> bool:
        """Whether the mail was given up."""
        return self.action == "failed"

    @property
    def bad_address(self) -> bool:
        """Whether the address itself is at fault, so that the next mail would come back too."""
        if not self.failed or self.status in _SENDERS_OWN:
            return False
        return self.status.startswith("5.1.") or self.status in _ADDRESS_TOO


@dataclass(frozen=True, slots=True)
class Report:
    """A report: where our token may stand, and what became of the recipients."""

    carriers: tuple[str, ...]
    outcomes: tuple[Outcome, ...]


def read_report(content: bytes) -> Report | None:
    """Return the report in a mail; None when the mail is no delivery status notification."""
    try:
        mail = message_from_bytes(content[:LONGEST_REPORT], policy=policy.compat32)
    except (MessageError, LookupError, ValueError):
        return None
    if mail.get_content_type() != "multipart/report":
        return None
    outcomes = tuple(dict.fromkeys(_outcomes(mail)))
    return Report(tuple(_carriers(mail)), outcomes) if outcomes else None


def _outcomes(mail: Message) -> Iterator[Outcome]:
    for part in mail.walk():
        if part.get_content_type() != "message/delivery-status":
            continue
        for block in _parts(part):
            action = str(block.get("Action", "")).strip().lower()
            status = _STATUS.match(str(block.get("Status", "")))
            if action in _ACTIONS and status:
                yield Outcome(action, ".".join(str(int(one)) for one in status.groups()))


def _carriers(mail: Message) -> Iterator[str]:
    """Yield what may carry our token: the addresses of the report, and the name of the mail that came back."""
    for name in _CARRIES:
        yield from (str(value) for value in mail.get_all(name, []))
    for part in _parts(mail):
        if part.get_content_type() == "message/rfc822":
            yield from (str(inner.get("Message-ID", "")) for inner in _parts(part))
        elif part.get_content_type() == "text/rfc822-headers":
            headers = part.get_payload(decode=True)
            content = headers if isinstance(headers, bytes) else b""
            yield str(message_from_bytes(content).get("Message-ID", ""))


def _parts(mail: Message) -> list[Message]:
    parts = mail.get_payload()
    return [one for one in parts if isinstance(one, Message)] if isinstance(parts, list) else []
