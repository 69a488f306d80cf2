"""A person known to the site, and the same person as a participant of a study."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.studies.models import Study


class Person(models.Model):
    """One human being, whatever studies they take part in. Names live in `Contact`, and may be erased."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    created_at = models.DateTimeField()

    class Meta:
        triggers = never_deleted()

    def __str__(self) -> str:
        return str(self.uid)


class Participant(models.Model):
    """A person in one study, known there by a code with a check character (ISO/IEC 7064 MOD 37-2)."""

    class Status(models.TextChoices):
        ACTIVE = "active", "active"
        SCREENED_OUT = "screened_out", "screened out"
        WITHDRAWN = "withdrawn", "withdrawn"
        LOST = "lost", "lost to contact"
        COMPLETED = "completed", "completed"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="participants")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="participations")
    code = models.CharField(max_length=12)
    serial = models.PositiveIntegerField()  # never shown; the code is made from it
    status = models.CharField(max_length=15, choices=Status.choices, default=Status.ACTIVE)
    status_reason = models.CharField(max_length=300, blank=True)
    status_at = models.DateTimeField()
    heard_from = models.CharField(max_length=100, blank=True)
    language = models.CharField(max_length=10, default="en")
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["study", "code"], name="participant_code_once"),
            models.UniqueConstraint(fields=["study", "serial"], name="participant_serial_once"),
            models.UniqueConstraint(fields=["study", "person"], name="participant_person_once"),
            models.CheckConstraint(
                condition=Q(
                    status__in=["active", "screened_out", "withdrawn", "lost", "completed"]
                ),
                name="participant_status_known",
            ),
            models.CheckConstraint(
                condition=Q(status__in=["active", "completed"]) | ~Q(status_reason=""),
                name="participant_end_has_reason",
            ),
        ]
        indexes = [
            models.Index(fields=["study", "status", "-added_at"], name="participant_by_status")
        ]
        triggers = [
            *never_deleted(),
            guard(
                "code_stays",
                operation=pgtrigger.Update,
                check="NEW.code = OLD.code AND NEW.serial = OLD.serial AND NEW.study_id = OLD.study_id",
                sentence="A volunteer keeps code and study.",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_active(self) -> bool:
        """Whether the person is still on the path."""
        return self.status == self.Status.ACTIVE


explain(
    {
        "participant_code_once": (Conflict, "Somebody else added a volunteer just now. Try again."),
        "participant_serial_once": (
            Conflict,
            "Somebody else added a volunteer just now. Try again.",
        ),
        "participant_person_once": (Conflict, "This person is in this study already."),
        "participant_end_has_reason": (Refused, "Say why: an end on the path needs a reason."),
    }
)
