"""How an invitation gets to whom it is for. Mail lies in an app above, which registers what it can do."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studylab.people.models import Invitation, User


@dataclass(frozen=True, slots=True)
class MailState:
    """How far the mail of an invitation is, in words; `failed` when it did not go out."""

    words: str
    failed: bool = False


@dataclass(frozen=True, slots=True)
class InvitationMail:
    """What mail can do. `queue` and `drop` write inside the caller's transaction."""

    is_on: "Callable[[], bool]" = lambda: False
    queue: "Callable[[Invitation], None]" = lambda _invitation: None
    queue_password: "Callable[[User], None]" = lambda _user: None
    drop: "Callable[[Invitation, str], None]" = lambda _invitation, _reason: None
    states: "Callable[[Collection[Invitation]], dict[int, MailState]]" = field(
        default=lambda _invitations: {}
    )


_registered: list[InvitationMail] = [InvitationMail()]


def register_invitation_mail(mail: InvitationMail) -> None:
    """Make mail known; called once, in `AppConfig.ready`."""
    _registered[:] = [mail]


def invitation_mail() -> InvitationMail:
    """Return what mail can do here."""
    return _registered[0]
