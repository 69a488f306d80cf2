"""Signed reviews of who has access to a study."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Refused
from studylab.people.models.people import Signature


class AccessReview(models.Model):
    """The lead looked at everybody's access on a day, said what came of it, and signed; the table stands in the signature."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(
        "studies.Study", on_delete=models.PROTECT, related_name="access_reviews"
    )
    as_at = models.DateField()
    found = models.CharField(max_length=500)
    people = models.PositiveSmallIntegerField()
    reviewed_at = models.DateTimeField()
    next_due_on = models.DateField()
    signature = models.OneToOneField(Signature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(next_due_on__gt=F("as_at")), name="access_review_next_later"
            ),
            models.CheckConstraint(condition=~Q(found=""), name="access_review_says_something"),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"access review {self.uid}"


explain(
    {
        "access_review_next_later": (Refused, "The next review lies before this one."),
        "access_review_says_something": (Refused, "Say what you found."),
    }
)
