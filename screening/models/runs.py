"""A run of the rules over everybody of a study, after the protocol or the table changed."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.audit.history import kept
from studylab.studies.models import ProtocolVersion, Study


class RulesRun(models.Model):
    """How far a run is. `last_id` is the last participant looked at, so that a broken run goes on from there.

    `made` counts new assessments, `changed` those of another outcome than before, `void` the eligible
    sign-offs that stood until then. A run that somebody stopped goes on when somebody says so (`stop_at` is emptied);
    `trouble` says what broke it off, until a further part of it succeeded.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="rules_runs")
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    table_version = models.CharField(max_length=20)
    table_hash = models.CharField(max_length=64)
    people = models.PositiveIntegerField()
    done = models.PositiveIntegerField(default=0)
    made = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    void = models.PositiveIntegerField(default=0)
    last_id = models.BigIntegerField(default=0)
    begun_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    asked_by = models.CharField(max_length=200, blank=True)
    beat_at = models.DateTimeField(null=True)
    stop_at = models.DateTimeField(null=True)
    stop_by = models.CharField(max_length=200, blank=True)
    trouble = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["study"], condition=Q(finished_at=None), name="rules_run_one_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(changed__lte=F("made"), made__lte=F("done")), name="rules_run_counts"
            ),
        ]
        triggers = kept()

    def __str__(self) -> str:
        return f"run of table {self.table_version} over {self.people} people"
