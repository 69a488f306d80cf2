"""What the program knows of its own running: processes that said they live, and since when a line stands as it does.

Nothing here is part of the record: no study, no person, no history.
"""

from django.db import models
from django.db.models import Q


class ProcessBeat(models.Model):
    """One background process: it makes its row when it starts and says every few seconds that it lives."""

    class Kind(models.TextChoices):
        WORKER = "worker", "worker"
        SCHEDULER = "scheduler", "scheduler"

    kind = models.CharField(max_length=10, choices=Kind.choices)
    name = models.CharField(max_length=120)  # machine and process number
    version = models.CharField(max_length=40)
    started_at = models.DateTimeField()
    seen_at = models.DateTimeField()
    stopped_at = models.DateTimeField(null=True)  # said goodbye; a killed process does not

    class Meta:
        indexes = [models.Index(fields=["kind", "seen_at"], name="beat_by_kind")]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["worker", "scheduler"]), name="beat_kind_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.name}"


class ReadOnlySpan(models.Model):
    """A time in which the site took nothing: pages were read, codes could be opened, all else was refused."""

    begun_at = models.DateTimeField()
    until = models.DateTimeField()  # as expected; it ends only when somebody ends it
    reason = models.CharField(max_length=200)
    ended_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                models.Value(1), condition=Q(ended_at=None), name="read_only_once_at_a_time"
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="read_only_has_reason"),
            models.CheckConstraint(
                condition=Q(until__gt=models.F("begun_at")), name="read_only_expects_an_end"
            ),
        ]

    def __str__(self) -> str:
        return self.reason


class StatusNote(models.Model):
    """How a line of the status stood at the last tick, and since when it stands so."""

    key = models.CharField(max_length=40, primary_key=True)
    title = models.CharField(max_length=80)
    state = models.CharField(max_length=10)
    since = models.DateTimeField()
    seen_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["ok", "look", "wrong"]), name="status_state_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.key}: {self.state}"
