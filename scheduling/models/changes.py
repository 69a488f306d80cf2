"""What was changed about a booked series, for taking it back, and the times that became free by it."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Series
from studylab.audit.history import guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.studies.models import Study


class SeriesChange(models.Model):
    """One move, cancellation or missed visit. `before` and `after` are the series as it stood, as plain JSON.

    It can be taken back while the series still stands as in `after` and not much time has passed.
    """

    class Kind(models.TextChoices):
        MOVED = "moved", "moved"
        CANCELLED = "cancelled", "cancelled"
        MISSED = "missed", "recorded as missed"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    series = models.ForeignKey(Series, on_delete=models.PROTECT, related_name="changes")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=300)
    before = models.JSONField()
    after = models.JSONField()
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(undone_at=None) | Q(undone_at__gte=F("at")), name="change_undone_later"
            ),
            models.CheckConstraint(
                condition=Q(kind__in=["moved", "cancelled", "missed"]), name="change_kind_known"
            ),
        ]
        triggers = [
            *never_deleted(),
            guard(
                "change_stays",
                operation=pgtrigger.Update,
                check="""NEW.series_id = OLD.series_id AND NEW.kind = OLD.kind AND NEW.at = OLD.at
                    AND NEW.before = OLD.before AND NEW.after = OLD.after AND NEW.reason = OLD.reason
                    AND OLD.undone_at IS NULL""",
                sentence="What was changed stays on record; it can only be marked as taken back, once.",
            ),
        ]

    def __str__(self) -> str:
        return f"change {self.uid}"


class FreedTime(models.Model):
    """Places that became free for a time: by a change of a series, or because a closure was lifted.

    `places` is a list of [place, start, end], instants as seconds; `first` to `last` spans all of them.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="freed_times")
    change = models.OneToOneField(
        SeriesChange, on_delete=models.PROTECT, null=True, related_name="freed"
    )
    at = models.DateTimeField()
    why = models.CharField(max_length=200)
    places = models.JSONField()
    first = models.DateTimeField()
    last = models.DateTimeField()

    class Meta:
        ordering = ["first", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(last__gt=F("first")), name="freed_ends_after_start")
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return f"freed time {self.uid}"


explain(
    {
        "change_undone_later": (Refused, "A change cannot be taken back before it was made."),
        "scheduling_freedtime_change_id_key": (Conflict, "This change was recorded already."),
    }
)
