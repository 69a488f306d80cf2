"""What a laboratory found in somebody's sample, compared with the opened list. It tells an arm: after the opening only."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class Assay(models.Model):
    """One result of a sample taken after the dose."""

    class Found(models.TextChoices):
        PRESENT = "present", "the substance was found"
        ABSENT = "absent", "the substance was not found"
        UNCLEAR = "unclear", "no clear result"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="assays")
    sample = models.CharField(max_length=60)
    taken_at = models.DateTimeField()
    found = models.CharField(max_length=8, choices=Found.choices)
    reference = models.CharField("laboratory and report", max_length=120)
    recorded_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["participant", "sample", "taken_at"], name="assay_once"
            ),
            models.CheckConstraint(
                condition=Q(taken_at__lte=F("recorded_at")), name="assay_not_in_future"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("taken_at"),
            guard(
                "assay_after_opening",
                operation=pgtrigger.Insert,
                check="""EXISTS (
                    SELECT 1 FROM allocation_listopening o
                    JOIN allocation_allocationlist l ON l.id = o.list_id
                    JOIN participants_participant p ON p.study_id = l.study_id
                    WHERE p.id = NEW.participant_id AND o.agreed_at IS NOT NULL)""",
                sentence="A laboratory result tells an arm: it is recorded after the list is open.",
            ),
        ]

    def __str__(self) -> str:
        return f"assay {self.uid}"


class AssayExplained(models.Model):
    """Why a result that contradicts the list does so, as far as it could be found out."""

    assay = models.OneToOneField(Assay, on_delete=models.PROTECT, related_name="explained")
    explanation = models.TextField()
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(explanation=""), name="assay_explanation_is_told")
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"explanation of {self.assay_id}"


explain(
    {
        "assay_once": (Conflict, "This sample's result is on record already."),
        "assay_not_in_future": (Refused, "The sample was taken later than now. Check the time."),
        "allocation_assayexplained_assay_id_key": (Conflict, "This result is explained already."),
    }
)
