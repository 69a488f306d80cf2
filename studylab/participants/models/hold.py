"""Holds: somebody or something says "not now" until a clinician has looked."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models.person import Participant
from studylab.people.models import Signature, User


class Hold(models.Model):
    """One hold on a volunteer. While one is open the dose gate is shut.

    `kind` "vitals" marks a hold for pre-dose values, which a clinician may release for the day; others
    are released when their cause is gone.
    """

    class Kind(models.TextChoices):
        VITALS = "vitals", "values outside the limits"
        ANSWERS = "answers", "an answer on the day"
        SYMPTOM = "symptom", "unwell"
        OTHER = "other", "another reason"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="holds")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    reason = models.TextField()
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    released_at = models.DateTimeField(null=True)
    release_reason = models.TextField(blank=True)
    release = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")
    vital_set_uid = models.UUIDField(null=True)  # the set that caused it, when one did

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(released_at=None) | (Q(release__isnull=False) & ~Q(release_reason="")),
                name="hold_released_by_signature",
            ),
        ]
        indexes = [
            # The dose gate and the front pages ask for open holds only.
            models.Index(fields=["participant"], condition=Q(released_at=None), name="hold_open")
        ]
        triggers = [
            *never_deleted(),
            guard(
                "released_stays",
                operation=pgtrigger.Update,
                check="OLD.released_at IS NULL",
                sentence="A released hold stays as it was signed. Open a new one.",
            ),
        ]

    def __str__(self) -> str:
        return self.reason


explain(
    {"hold_released_by_signature": (Refused, "A hold is released by a signature, with a reason.")}
)
