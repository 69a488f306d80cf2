"""Who and what is at the site for a dose: the emergency kit looked through, and who stays with a volunteer."""

import uuid

from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Visit
from studylab.audit.history import append_only, fits
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class RescueCheck(models.Model):
    """The site's resuscitation kit was looked through: complete, in date and working, or not."""

    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    complete = models.BooleanField()
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(complete=True) | ~Q(note=""), name="rescue_check_says_what_lacks"
            )
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"rescue kit at {self.at}"


class Staying(models.Model):
    """Somebody said to be with the volunteer of a visit. The newest row says who stays; no row ends anything."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="stays")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="stays")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    client_id = models.UUIDField(unique=True, default=uuid.uuid4)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="staying_not_in_future"
            )
        ]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "staying_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.user_id} with visit {self.visit_id}"


explain(
    {
        "rescue_check_says_what_lacks": (Refused, "Say what is missing, out of date or broken."),
        "staying_not_in_future": (Refused, "This is later than now. Check the time."),
    }
)
