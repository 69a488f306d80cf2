"""Devices that measure pressure, and how wrong their own clocks were."""

import uuid

from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower

from studylab.audit.history import append_only, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User
from studylab.studies.models import Study


class Monitor(models.Model):
    """A pressure device of the lab, known by the name or serial number that stands on it."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="monitors")
    name = models.CharField(max_length=60)
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    retired_at = models.DateTimeField(null=True)
    retire_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                "study", Lower("name"), condition=Q(retired_at=None), name="monitor_name_once"
            ),
            models.CheckConstraint(
                condition=Q(retired_at=None, retire_reason="")
                | (Q(retired_at__isnull=False) & ~Q(retire_reason="")),
                name="monitor_retired_with_reason",
            ),
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return self.name


class MonitorClock(models.Model):
    """One comparison: what the device's clock showed when the server's stood at `at`.

    `offset_seconds` is how far the device was ahead of the study's local time.
    """

    monitor = models.ForeignKey(Monitor, on_delete=models.PROTECT, related_name="clocks")
    shown = models.TimeField()
    at = models.DateTimeField()
    offset_seconds = models.IntegerField()
    compared_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(offset_seconds__range=(-43200, 43200)),
                name="monitor_clock_in_half_a_day",
            )
        ]
        indexes = [models.Index(fields=["monitor", "-at"], name="monitor_clock_newest")]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.shown:%H:%M:%S} at {self.at:%Y-%m-%d %H:%M:%S} UTC"


explain(
    {
        "monitor_name_once": (Conflict, "Another device has this name. Choose it from the list."),
        "monitor_retired_with_reason": (Refused, "Say why the device is no longer used."),
        "monitor_clock_in_half_a_day": (Refused, "Enter the time that the device shows."),
    }
)
