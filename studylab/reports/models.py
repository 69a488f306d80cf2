"""Exports of a study: who asked for one, how far it is, what came of it, and its bytes for a while."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, guard, kept
from studylab.db import explain
from studylab.errors import Conflict
from studylab.people.models import User
from studylab.studies.models import Study


class ExportRun(models.Model):
    """One export. The row is the queue: a worker claims it by changing its state. It stays when the bytes are gone.

    `files` lists what the ZIP holds: name, SHA-256, bytes, and for tables rows and people.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting to begin"
        RUNNING = "running", "under way"
        READY = "ready", "ready"
        STOPPED = "stopped", "stopped"
        FAILED = "failed", "failed"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="exports")
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    attempt = models.PositiveSmallIntegerField(default=0)  # how often a worker began it
    claimed_at = models.DateTimeField(null=True)
    beat_at = models.DateTimeField(null=True)
    stop_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    stage = models.CharField(max_length=60, blank=True)
    rows = models.PositiveBigIntegerField(default=0)
    done = models.PositiveBigIntegerField(default=0)
    opened = models.BooleanField(default=False)  # whether arms are in it
    size = models.PositiveBigIntegerField(null=True)
    sha256 = models.CharField(max_length=64, blank=True)
    files = models.JSONField(default=list)
    trouble = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["study"],
                condition=Q(state__in=["waiting", "running"]),
                name="export_one_at_a_time",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "running", "ready", "stopped", "failed"]),
                name="export_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="ready")
                | (~Q(sha256="") & Q(size__isnull=False, ended_at__isnull=False)),
                name="export_ready_has_hash",
            ),
            models.CheckConstraint(condition=Q(done__lte=F("rows")), name="export_done_of_rows"),
        ]
        triggers = [
            *kept(),
            guard(
                "export_ready_stays",
                operation=pgtrigger.Update,
                check="OLD.state <> 'ready'",
                sentence="An export that was made stays as it was noted.",
            ),
        ]

    def __str__(self) -> str:
        return f"export {self.uid}"

    @property
    def is_open(self) -> bool:
        """Whether it is still to be made or under way."""
        return self.state in (self.State.WAITING, self.State.RUNNING)


class ExportPart(models.Model):
    """A piece of the ZIP, in order. Removed after a while; the hash above stays."""

    run = models.ForeignKey(ExportRun, on_delete=models.PROTECT, related_name="parts")
    index = models.PositiveIntegerField()
    content = models.BinaryField()

    class Meta:
        ordering = ["run_id", "index"]
        constraints = [models.UniqueConstraint(fields=["run", "index"], name="export_part_once")]

    def __str__(self) -> str:
        return f"part {self.index} of {self.run_id}"


explain(
    {
        "export_one_at_a_time": (
            Conflict,
            "An export is being made already. Wait for it, or stop it first.",
        ),
    }
)


class ValidationRun(models.Model):
    """What a site found when it checked itself: who ran it, when, and everything that the printed pack shows.

    `sha256` is that of the canonical JSON of `content`, so that a signed print can be compared with the row.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    ran_at = models.DateTimeField()
    ran_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    passed = models.BooleanField()
    content = models.JSONField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"validation {self.uid}"
