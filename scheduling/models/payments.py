"""Money handed to volunteers, and visits for which somebody came in vain. What is due is worked out, never stored."""

import uuid

from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Visit
from studylab.audit.history import append_only, corrections, fits
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class Payment(models.Model):
    """One payment, or a correction of one; an amount of nought takes it back. Never any bank data."""

    class How(models.TextChoices):
        CASH = "cash", "cash"
        TRANSFER = "transfer", "transfer by the accounts office"
        CHEQUE = "cheque", "cheque"
        VOUCHER = "voucher", "gift card or voucher"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="payments")
    amount = models.DecimalField(max_digits=9, decimal_places=2)
    currency = models.CharField(max_length=3)
    paid_at = models.DateTimeField()
    how = models.CharField(max_length=10, choices=How.choices)
    note = models.CharField(max_length=200, blank=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [corrections("payment_corrections")]
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gt=0) | Q(amount=0, supersedes__isnull=False),
                name="payment_above_nought",
            ),
            models.CheckConstraint(
                condition=Q(how__in=["cash", "transfer", "cheque", "voucher"]),
                name="payment_how_known",
            ),
            models.CheckConstraint(
                condition=Q(paid_at__lte=F("recorded_at")), name="payment_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="payment_correction_has_reason"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("paid_at"),
            fits(
                "payment_corrects_own", column="supersedes_id", table="scheduling_payment",
                same=("participant_id", "currency"), sentence="A correction is about the same volunteer's payment.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.amount} {self.currency}"


class SentHome(models.Model):
    """Somebody came for a visit and the study did not begin it; `counts` False takes such a row back."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="sent_home")
    at = models.DateTimeField()
    counts = models.BooleanField()
    reason = models.CharField(max_length=300)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="sent_home_has_reason"),
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="sent_home_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(counts=True) | Q(supersedes__isnull=False),
                name="sent_home_takes_back_a_row",
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "sent_home_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
            fits(
                "sent_home_corrects_own", column="supersedes_id", table="scheduling_senthome",
                same=("visit_id",), sentence="This is about another visit.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"visit {self.visit_id} at {self.at}"


explain(
    {
        "payment_above_nought": (Refused, "The amount is above nought."),
        "payment_how_known": (Refused, "Choose how it was paid."),
        "payment_not_in_future": (Refused, "This is later than now. Check date and time."),
        "payment_correction_has_reason": (Refused, "Say why the payment is corrected."),
        "scheduling_payment_supersedes_id_key": (
            Conflict,
            "This payment was corrected already. Look at the newest entry.",
        ),
        "sent_home_has_reason": (Refused, "Say why the visit did not begin."),
        "sent_home_not_in_future": (Refused, "This is later than now. Check date and time."),
        "scheduling_senthome_supersedes_id_key": (Conflict, "This was taken back already."),
    }
)
