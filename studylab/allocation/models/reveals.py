"""Opened codes: the row is written before anything is shown."""

import uuid

from django.db import models

from studylab.allocation.models.numbers import ListEntry
from studylab.audit.history import append_only
from studylab.participants.models import Participant
from studylab.people.models import Signature, User

# The hold that every opening puts on its volunteer; while it stands, the emergency is going on.
EMERGENCY_HOLD = (
    "Emergency: nothing more is given to this volunteer until the supervising physician decides."
)


class Reveal(models.Model):
    """One opening of one person's code. It never holds the arm."""

    class Kind(models.TextChoices):
        EMERGENCY = "emergency", "medical emergency"
        CARD = "card", "paper card opened"

    class Purpose(models.TextChoices):
        TREAT = "treat", "to treat this volunteer"
        OTHER = "other", "something else, outside the protocol"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="reveals")
    entry = models.ForeignKey(ListEntry, on_delete=models.PROTECT, related_name="reveals")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    purpose = models.CharField(max_length=8, choices=Purpose.choices, default=Purpose.TREAT)
    reason = models.TextField()
    told = models.CharField("who is told", max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.kind} {self.uid}"
