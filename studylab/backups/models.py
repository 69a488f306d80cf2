"""Backups that were asked for, and restorations: when, from which moment, and what each study has made good since.

Nothing of a volunteer stands here. The files lie outside the database.
"""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only, guard, kept, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.studies.models import Study


class BackupRun(models.Model):
    """One backup, made by a worker or a command. The row is the queue (`studylab.operation.lease`).

    `snapshot_at` is of which moment it is. `trial` says what came of restoring it into a fresh database: the same, something
    else, or that it could not begin, which says nothing about the backup; `trial_problem` says why.
    """

    class State(models.TextChoices):
        WAITING = "waiting", "waiting to begin"
        RUNNING = "running", "under way"
        DONE = "done", "made"
        STOPPED = "stopped", "stopped"
        FAILED = "failed", "failed"

    class Trial(models.TextChoices):
        SAME = "same", "restored and found the same"
        DIFFERS = "differs", "not found the same when restored"
        NOT_BEGUN = "not_begun", "could not be tried"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    asked_at = models.DateTimeField()
    asked_by = models.CharField(max_length=200)
    with_trial = models.BooleanField(default=False)
    attempt = models.PositiveSmallIntegerField(default=0)  # how often a worker began it
    claimed_at = models.DateTimeField(null=True)
    beat_at = models.DateTimeField(null=True)
    stop_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    stage = models.CharField(max_length=60, blank=True)
    total = models.PositiveBigIntegerField(default=0)
    done = models.PositiveBigIntegerField(default=0)
    snapshot_at = models.DateTimeField(null=True)
    place = models.CharField(max_length=400, blank=True)  # machine and file
    size = models.PositiveBigIntegerField(null=True)
    sha256 = models.CharField(max_length=64, blank=True)
    trial = models.CharField(max_length=10, choices=Trial.choices, blank=True)
    tried_at = models.DateTimeField(null=True)
    trial_problem = models.CharField(max_length=600, blank=True)
    trouble = models.CharField(max_length=600, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                models.Value(1), condition=Q(state__in=["waiting", "running"]), name="backup_one_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "running", "done", "stopped", "failed"]),
                name="backup_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="done")
                | (Q(ended_at__isnull=False, snapshot_at__isnull=False, size__isnull=False) & ~Q(sha256="")),
                name="backup_done_says_what",
            ),
            models.CheckConstraint(
                condition=Q(trial="", tried_at=None, trial_problem="")
                | Q(trial="same", tried_at__isnull=False, trial_problem="")
                | (Q(trial__in=["differs", "not_begun"], tried_at__isnull=False) & ~Q(trial_problem="")),
                name="backup_trial_says_what",
            ),
        ]  # fmt: skip
        triggers = kept()

    def __str__(self) -> str:
        return f"backup {self.uid}"

    @property
    def is_open(self) -> bool:
        """Whether it is still to begin or under way."""
        return self.state in (self.State.WAITING, self.State.RUNNING)


class Restoration(models.Model):
    """The site was put back to what a backup held. What happened between the two moments is not on this record."""

    snapshot_at = models.DateTimeField()
    restored_at = models.DateTimeField()
    file = models.CharField(max_length=200)
    program = models.CharField(max_length=40)

    class Meta:
        ordering = ["-id"]
        triggers = append_only()

    def __str__(self) -> str:
        return f"restored from {self.snapshot_at}"


class MadeGood(models.Model):
    """What one study has made good after a restoration: numbers compared with paper, then everything entered again.

    Until the first no allocation number is issued, until the second no message leaves.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    restoration = models.ForeignKey(Restoration, on_delete=models.PROTECT, related_name="studies")
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="restorations")
    numbers_at = models.DateTimeField(null=True)
    numbers_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    numbers_note = models.TextField(blank=True)
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["restoration", "study"], name="made_good_once"),
            models.CheckConstraint(
                condition=Q(numbers_at=None, numbers_by=None, numbers_note="")
                | (Q(numbers_at__isnull=False, numbers_by__isnull=False) & ~Q(numbers_note="")),
                name="made_good_numbers_by_whom",
            ),
            models.CheckConstraint(
                condition=Q(done_at=None, done_by=None, note="")
                | (Q(done_at__isnull=False, done_by__isnull=False, numbers_at__isnull=False) & ~Q(note="")),
                name="made_good_by_whom",
            ),
        ]  # fmt: skip
        triggers = [
            *never_deleted(),
            guard(
                "made_good_stays",
                operation=pgtrigger.Update,
                check="OLD.done_at IS NULL",
                sentence="What was lost was made good already, and stays as it was written.",
            ),
        ]

    def __str__(self) -> str:
        return f"made good {self.uid}"


explain(
    {
        "backup_one_at_a_time": (Conflict, "A backup is being made already. Wait for it, or stop it first."),
        "made_good_numbers_by_whom": (Refused, "Say what paper tells about allocation numbers."),
        "made_good_by_whom": (
            Refused,
            "Compare the allocation numbers with paper first, and say what was entered again.",
        ),
    }
)  # fmt: skip
