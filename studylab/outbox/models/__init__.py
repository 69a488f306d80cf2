"""Tables of this app. Import models from here."""

from studylab.outbox.models.message import Attempt, AttemptEnd, Message

__all__ = ["Attempt", "AttemptEnd", "Message"]
