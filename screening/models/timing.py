"""Moments that the server's clock took: when a rest began, when somebody stood up."""

import uuid

from django.db import models

from studylab.audit.history import append_only
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User

# How values came here, and how a reading got its time.
ENTRIES = [("typed", "typed from the display"), ("device", "read out from the device")]
TIMED = [("clock", "by the server’s clock"), ("hand", "written by hand"),
         ("device", "read from the device’s clock")]  # fmt: skip


class Timing(models.Model):
    """One press of a button. It outlives the page, so a reload or another tablet goes on with it."""

    class Kind(models.TextChoices):
        REST = "rest", "rest"
        LYING = "lying", "rest before standing up"
        STAND = "stand", "standing up"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=5, choices=Kind.choices)
    gate = models.CharField(max_length=10)
    visit_uid = models.UUIDField(null=True)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["participant", "gate", "-id"], name="timing_newest")]
        triggers = [*append_only(), consent_first("at")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} at {self.at:%Y-%m-%d %H:%M:%S} UTC"
