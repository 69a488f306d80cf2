"""Who waits for a series, and what was offered to them."""

import uuid

from django.db import models
from django.db.models import F, Q

from scheduling.models.changes import FreedTime
from scheduling.models.wishes import OptionHold
from studylab.audit.history import fits, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class Waiting(models.Model):
    """Somebody who waits for a series since `since`; when they can come stands in their noted times.

    Within `first_day` to `last_day`, local days, both included, where these are known.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="waits")
    since = models.DateTimeField()
    noted_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    first_day = models.DateField(null=True)
    last_day = models.DateField(null=True)
    note = models.CharField(max_length=200, blank=True)
    ended_at = models.DateTimeField(null=True)
    ended_why = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["since", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["participant"], condition=Q(ended_at=None), name="waiting_once"
            ),
            models.CheckConstraint(
                condition=Q(first_day=None) | Q(last_day=None) | Q(last_day__gte=F("first_day")),
                name="waiting_days_in_order",
            ),
            models.CheckConstraint(
                condition=Q(ended_at=None) | ~Q(ended_why=""), name="waiting_end_has_reason"
            ),
        ]
        triggers = [*never_deleted(), consent_first("since")]

    def __str__(self) -> str:
        return f"waiting {self.uid}"


class Offer(models.Model):
    """One series held for somebody who waits. What became of it follows from the hold and their series."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    waiting = models.ForeignKey(Waiting, on_delete=models.PROTECT, related_name="offers")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    freed = models.ForeignKey(FreedTime, on_delete=models.PROTECT, null=True, related_name="offers")
    hold = models.OneToOneField(OptionHold, on_delete=models.PROTECT, related_name="offer")
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-id"]
        triggers = [
            *never_deleted(),
            fits(
                "offer_to_who_waits", column="waiting_id", table="scheduling_waiting",
                same=("participant_id",), sentence="Somebody else waits here.",
            ),
            fits(
                "offer_of_own_hold", column="hold_id", table="scheduling_optionhold",
                same=("participant_id",), sentence="This series is held for somebody else.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"offer {self.uid}"


explain(
    {
        "waiting_once": (Conflict, "This volunteer is on the waiting list already."),
        "waiting_days_in_order": (Refused, "The last day comes before the first."),
        "waiting_end_has_reason": (Refused, "Say why the waiting ends."),
    }
)
