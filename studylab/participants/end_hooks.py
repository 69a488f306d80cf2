"""What the apps above do when somebody leaves the path: bookings end, prepared kits are marked.

Each app registers its part once, in `AppConfig.ready`; `participant_end` carries all of them out inside its
own transaction, so that nobody is withdrawn with a room still booked.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from studylab.access import Actor
from studylab.participants.models import Participant


class CarryOut(Protocol):
    """One app's part. Returns what it did, as sentences; raises Refused to stop the whole."""

    def __call__(
        self, *, actor: Actor, participant: Participant, status: str, reason: str
    ) -> list[str]:
        """Do it. `participant` is locked; `status` is the one it is about to have."""


@dataclass(frozen=True, slots=True)
class EndHook:
    """One app's part, and what it would do, as sentences to be read before the decision."""

    name: str
    consequences: Callable[[Participant], list[str]]
    carry_out: CarryOut


_registered: dict[str, EndHook] = {}


def register_end_hook(
    name: str, *, consequences: Callable[[Participant], list[str]], carry_out: CarryOut
) -> None:
    """Register one app's part under its name; the same name again replaces it. Order is kept."""
    _registered[name] = EndHook(name, consequences, carry_out)


def end_hooks() -> list[EndHook]:
    """Return every registered part in the order of registration."""
    return list(_registered.values())


def unregister_end_hook(name: str) -> None:
    """Take one app's part out again."""
    _registered.pop(name, None)
