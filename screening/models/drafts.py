"""A set of readings that somebody is typing and has not recorded yet."""

import uuid

from django.db import models

from screening.models.vitals import VitalSet
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class VitalDraft(models.Model):
    """What stands in the form of a set, as typed. It decides nothing and goes when the set is recorded.

    `corrects` is the set that is being corrected, None for a new one. `holder` is who types; somebody else takes it over knowingly, and then holds it. `content` has the fields of the
    form by name, each a list of texts.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    gate = models.CharField(max_length=10)
    visit_uid = models.UUIDField(null=True)
    corrects = models.ForeignKey(VitalSet, on_delete=models.PROTECT, null=True, related_name="+")
    content = models.JSONField()
    holder = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    begun_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    begun_at = models.DateTimeField()
    kept_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["participant", "gate", "visit_uid", "corrects", "holder"],
                nulls_distinct=False,
                name="vital_draft_one_each",
            )
        ]
        triggers = [consent_first("begun_at")]

    def __str__(self) -> str:
        return f"half-typed set, kept {self.kept_at:%Y-%m-%d %H:%M:%S} UTC"
