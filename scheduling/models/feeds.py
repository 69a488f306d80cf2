"""Calendar feeds: addresses with a secret, by which a calendar program reads when somebody or a room is booked."""

import uuid

import pgtrigger
from django.contrib.postgres.functions import RandomUUID
from django.db import models
from django.db.models import Q

from scheduling.models.resources import Resource
from studylab.audit.history import guard, kept
from studylab.db import explain
from studylab.errors import Refused
from studylab.people.models import User
from studylab.studies.models import Study


class CalendarFeed(models.Model):
    """One feed of one resource. Its secret is shown once and kept as a digest only.

    When it was last read is housekeeping and has no history; making and withdrawing are on the trail.
    """

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="+")
    resource = models.ForeignKey(Resource, on_delete=models.PROTECT, related_name="feeds")
    token_digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    fetched_at = models.DateTimeField(null=True)
    revoked_at = models.DateTimeField(null=True)
    revoked_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    revoked_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(revoked_at=None) | ~Q(revoked_reason=""), name="feed_end_has_reason"
            )
        ]
        triggers = [
            *kept(),
            guard(
                "feed_stays",
                operation=pgtrigger.Update,
                check="""NEW.token_digest = OLD.token_digest AND NEW.resource_id = OLD.resource_id
                    AND NEW.study_id = OLD.study_id AND NEW.made_at = OLD.made_at
                    AND NEW.made_by_id = OLD.made_by_id
                    AND (OLD.revoked_at IS NULL OR NEW.revoked_at IS NOT DISTINCT FROM OLD.revoked_at)""",
                sentence="A calendar feed is neither changed nor opened again; make a new one.",
            ),
        ]

    def __str__(self) -> str:
        return f"feed of {self.resource_id}"


explain({"feed_end_has_reason": (Refused, "Say why the feed is withdrawn.")})
