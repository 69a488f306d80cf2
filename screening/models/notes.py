"""What was told at a contact, in free words, and what a physician says about a medicine named in a note."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class ContactNote(models.Model):
    """One contact about a volunteer: who told what, and when.

    `medicine` is what was told as a medicine started, changed or stopped: it is asked about whatever it is called.
    """

    class ToldBy(models.TextChoices):
        VOLUNTEER = "volunteer", "the volunteer"
        DOCTOR = "doctor", "the volunteer’s doctor or pharmacy"
        RELATIVE = "relative", "a relative or friend"
        OTHER = "other", "somebody else"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="contact_notes"
    )
    told_by = models.CharField(max_length=10, choices=ToldBy.choices)
    text = models.TextField()
    medicine = models.CharField(max_length=200, blank=True, default="")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(text=""), name="contact_note_says_what"),
            models.CheckConstraint(
                condition=Q(told_by__in=["volunteer", "doctor", "relative", "other"]),
                name="contact_note_teller_known",
            ),
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="contact_note_not_in_future"
            ),
        ]
        triggers = [*append_only(), consent_first("at", ("questions", "study"))]

    def __str__(self) -> str:
        return f"contact note {self.uid}"


class NoteAnswer(models.Model):
    """A physician's word about a note that names a medicine. `note` is the key of the note, `words` what was named.

    `matters` means that it stands in the way of a dose; a hold was opened with it.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="note_answers"
    )
    note = models.CharField(max_length=60)
    words = models.JSONField()
    matters = models.BooleanField()
    reason = models.TextField()
    answered_at = models.DateTimeField()
    answered_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="note_answer_has_reason"),
        ]
        indexes = [models.Index(fields=["participant", "note"], name="note_answer_of_note")]
        triggers = [*append_only(), consent_first("answered_at", ("questions", "study"))]

    def __str__(self) -> str:
        return f"answer to {self.note}"


explain(
    {
        "contact_note_says_what": (Refused, "Write what was told."),
        "contact_note_not_in_future": (Refused, "This is later than now. Check the time."),
        "note_answer_has_reason": (Refused, "Say why."),
    }
)
