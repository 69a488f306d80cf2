"""The kinds of messages. Each app registers its own in `AppConfig.ready`; the outbox knows none."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studylab.outbox.models import Message
    from studylab.participants.models import Participant
    from studylab.people.models import Invitation, User
    from studylab.studies.models import Study


class Audience(StrEnum):
    """Whom a kind of message is for."""

    VOLUNTEER = "volunteer"
    STAFF = "staff"


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that goes with a mail, such as visits.ics of type text/calendar."""

    name: str
    content_type: str
    content: bytes


@dataclass(frozen=True, slots=True)
class MessageField:
    """A place in the words of a message that is filled in at sending, and what stands there."""

    name: str
    meaning: str


def _always(_message: "Message", _now: datetime) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class MessageKind:
    """One kind of message.

    `values` gives a text for every field, in the language that is active when it is called. `wanted` is asked right
    before sending and returns "" or the reason, in words, why the message is not to be sent any more.
    """

    key: str
    audience: Audience
    title: str
    fields: tuple[MessageField, ...]
    values: "Callable[[Message], dict[str, str]]"
    wanted: "Callable[[Message, datetime], str]" = _always
    attach: "Callable[[Message], Sequence[Attachment]] | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A message that is to be queued, unless its `key` was before or it would be of no use any more.

    `matters_until` is until when somebody would still have to tell the addressee another way, such as the beginning
    of a visit; without it, as long as the message is of use.
    """

    kind: str
    study: "Study | None"
    participant: "Participant | None" = None
    user: "User | None" = None
    invitation: "Invitation | None" = None
    about: str
    due_at: datetime
    useful_until: datetime
    matters_until: datetime | None = None
    key: str
    language: str = "en"


_kinds: dict[str, MessageKind] = {}


def register_kind(kind: MessageKind) -> None:
    """Make a kind of message known. Registered again, the newest counts."""
    _kinds[kind.key] = kind


def kind_of(key: str) -> MessageKind:
    """Return a kind; KeyError when no app registered it."""
    return _kinds[key]


def all_kinds() -> tuple[MessageKind, ...]:
    """Return every kind, in the order in which they were registered."""
    return tuple(_kinds.values())
