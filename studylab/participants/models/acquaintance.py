"""Volunteers who know each other: kept apart, so that they do not compare what they had."""

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, guard
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models.person import Participant
from studylab.people.models import User


class Acquaintance(models.Model):
    """What is known and decided about a pair of volunteers; the newest row of a pair counts.

    `apart` means that they are never in the lab at the same time. `one` was added before `other`.
    """

    one = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    other = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    apart = models.BooleanField()
    reason = models.TextField()
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(one__lt=F("other")), name="acquaintance_in_order"),
            models.CheckConstraint(condition=~Q(reason=""), name="acquaintance_has_reason"),
        ]
        triggers = [
            *append_only(),
            guard(
                "acquaintance_of_one_study",
                operation=pgtrigger.Insert,
                check="""EXISTS (SELECT 1 FROM participants_participant a
                    JOIN participants_participant b ON b.study_id = a.study_id
                    WHERE a.id = NEW.one_id AND b.id = NEW.other_id)""",
                sentence="Both volunteers must be of one study.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.one_id} and {self.other_id}"


explain(
    {
        "acquaintance_in_order": (Refused, "Name another volunteer than this one."),
        "acquaintance_has_reason": (Refused, "Say how they know each other, or why it changes."),
    }
)
