"""Tables of this app. Import models from here."""

from studylab.outbox.models.message import Attempt, AttemptEnd, Message
from studylab.outbox.models.reach import Reach
from studylab.outbox.models.undelivered import Settled, Undelivered
from studylab.outbox.models.wording import SenderName, Wording

__all__ = [
    "Attempt",
    "AttemptEnd",
    "Message",
    "Reach",
    "SenderName",
    "Settled",
    "Undelivered",
    "Wording",
]
