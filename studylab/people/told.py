"""What people are told about their own account, by whoever can send: apps above register, services here only say it."""

from collections.abc import Callable
from enum import StrEnum
from typing import Protocol

from studylab.people.models import User


class Told(StrEnum):
    """What happened to an account. Names are stored with the message; no message holds a secret."""

    STEP_ADDED = "step_added"
    STEP_REMOVED = "step_removed"
    STEPS_RESET = "steps_reset"
    STEPS_RESET_BY_YOU = "steps_reset_by_you"
    CODES_MADE = "codes_made"
    RECOVERY_USED = "recovery_used"
    PASSWORD_CHANGED = "password_changed"  # noqa: S105  (an event)
    SIGNING_LOCKED = "signing_locked"
    SIGNING_LOCKED_OF = "signing_locked_of"
    ADMIN_MADE = "admin_made"
    ADMIN_MADE_OF = "admin_made_of"
    ADMIN_ENDED = "admin_ended"
    ADMIN_ENDED_OF = "admin_ended_of"


class Teller(Protocol):
    """Queues a message to `user`, inside the transaction of what happened; `of` is whose account, if another's."""

    def __call__(self, *, user: User, what: Told, of: User | None) -> None:
        """Queue it."""


_tellers: list[Callable[..., None]] = []


def register_teller(teller: Teller) -> None:
    """Let somebody pass on what happens to accounts; called in `AppConfig.ready`."""
    if teller not in _tellers:
        _tellers.append(teller)


def tell(*, user: User, what: Told, of: User | None = None) -> None:
    """Have `user` told what happened to their account, or to that `of` somebody else."""
    for teller in _tellers:
        teller(user=user, what=what, of=of)
