"""Wallet cards as they were handed to volunteers, with the telephone numbers that stood on them."""

from django.db import models

from studylab.audit.history import append_only
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class WalletCard(models.Model):
    """One card that a volunteer was given; the newest is the one they carry."""

    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="wallet_cards"
    )
    numbers = models.CharField(max_length=200)  # as `emergency_numbers` gives them
    handed_at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        indexes = [models.Index(fields=["participant", "-id"], name="wallet_card_newest")]
        triggers = [*append_only(), consent_first("handed_at")]

    def __str__(self) -> str:
        return f"wallet card of {self.handed_at}"
