"""What the study lead decided about a possible relation between a volunteer and somebody of the staff."""

from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.people.models import User


class StaffDecision(models.Model):
    """One decision; the newest of a pair counts. `user` is None where nobody in particular was meant.

    `kept_away` means that this person is never offered or booked for a visit of this volunteer.
    """

    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="staff_decisions"
    )
    user = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, related_name="staff_decisions"
    )
    kept_away = models.BooleanField()
    reason = models.TextField()
    decided_at = models.DateTimeField()
    decided_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="staff_decision_has_reason"),
            models.CheckConstraint(
                condition=Q(kept_away=False) | Q(user__isnull=False),
                name="staff_decision_names_whom",
            ),
        ]
        indexes = [
            models.Index(fields=["participant", "user", "-id"], name="staff_decision_newest")
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return "kept away" if self.kept_away else "no need to keep away"


class StaffPhone(models.Model):
    """A phone number of somebody of the staff, as a keyed digest only: it can be compared and never read."""

    class Kind(models.TextChoices):
        OWN = "own", "their own number"
        EMERGENCY = "emergency", "the number of their emergency contact"

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="staff_phones")
    kind = models.CharField(max_length=9, choices=Kind.choices)
    digest = models.CharField(max_length=64)
    set_at = models.DateTimeField()
    set_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "kind"], name="staff_phone_one_of_a_kind"),
            models.CheckConstraint(
                condition=Q(kind__in=["own", "emergency"]), name="staff_phone_kind_known"
            ),
        ]

    def __str__(self) -> str:
        return self.get_kind_display()


explain(
    {
        "staff_decision_has_reason": (Refused, "Say why."),
        "staff_decision_names_whom": (Refused, "Name who is kept away."),
    }
)
