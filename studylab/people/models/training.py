"""What people of a study were trained in."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models.people import User


class Training(models.Model):
    """One training of one person, or a correction of its record, which stands in for the one before."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey("studies.Study", on_delete=models.PROTECT, related_name="trainings")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="trainings")
    topic = models.CharField(max_length=120)
    given_by = models.CharField(max_length=120)
    held_on = models.DateField()
    recorded_on = models.DateField()  # the local day, so that none lies ahead
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    withdrawn = models.BooleanField(default=False)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(topic="") & ~Q(given_by=""), name="training_says_what"
            ),
            models.CheckConstraint(
                condition=Q(held_on__lte=F("recorded_on")), name="training_not_ahead"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None, withdrawn=False, reason="")
                | (Q(supersedes__isnull=False, withdrawn=True) & ~Q(reason="")),
                name="training_withdrawn_with_reason",
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return self.topic


explain(
    {
        "training_says_what": (Refused, "Say what the training was about and who gave it."),
        "training_not_ahead": (
            Refused,
            "This day has not come. Enter it once the training was held.",
        ),
        "training_withdrawn_with_reason": (Refused, "Say why the entry is taken back."),
        "people_training_supersedes_id_key": (Conflict, "This entry was taken back already."),
    }
)
