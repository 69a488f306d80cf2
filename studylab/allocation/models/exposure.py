"""Who has seen what was measured after somebody's dose: a slow pulse gives an arm away."""

from django.db import models

from studylab.audit.history import append_only
from studylab.participants.models import Participant
from studylab.people.models import User


class Exposure(models.Model):
    """The first time that a person looked at a page with values from after a volunteer's dose."""

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="exposures")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="exposures")
    page = models.CharField(max_length=60)
    at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "participant"], name="exposure_first_time")
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.user_id} saw {self.participant_id}"
