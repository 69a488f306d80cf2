"""Dated hours: shifts of people and other hours of rooms, the files they came from, and public holidays."""

import uuid

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateTimeRangeField, RangeOperators
from django.contrib.postgres.functions import RandomUUID
from django.db import models
from django.db.models import Q

from scheduling.models.ranges import bounded
from scheduling.models.resources import Closure, Resource
from studylab.audit.history import history, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User


class RotaImport(models.Model):
    """One rota file that was taken over, and what it took away, so that it can be undone."""

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    file_name = models.CharField(max_length=120)
    sha256 = models.CharField(max_length=64)
    imported_at = models.DateTimeField()
    imported_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    added = models.PositiveIntegerField()
    taken_away = models.JSONField(default=list)  # [resource's id, start, end, import's id or null]
    undone_at = models.DateTimeField(null=True)
    undone_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        triggers = never_deleted()

    def __str__(self) -> str:
        return self.file_name


class Shift(models.Model):
    """Hours on one date. On the local day on which a shift begins, shifts replace the weekly hours."""

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    resource = models.ForeignKey(Resource, on_delete=models.PROTECT, related_name="shifts")
    during = DateTimeRangeField()
    rota_import = models.ForeignKey(
        RotaImport, on_delete=models.PROTECT, null=True, related_name="shifts"
    )

    class Meta:
        constraints = [
            bounded("during", "shift_bounded"),
            ExclusionConstraint(
                name="shift_no_overlap",
                expressions=[
                    ("resource", RangeOperators.EQUAL),
                    ("during", RangeOperators.OVERLAPS),
                ],
            ),
        ]
        triggers = history()

    def __str__(self) -> str:
        return f"shift {self.during}"


class Holiday(models.Model):
    """A public holiday as the published list has it. Closed by `closure`, or opened with a reason."""

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    day = models.DateField()
    name = models.CharField(max_length=120)
    country = models.CharField(max_length=2)
    subdivision = models.CharField(max_length=10, blank=True)
    timezone = models.CharField(max_length=60)
    source = models.CharField(max_length=40)
    closure = models.OneToOneField(
        Closure, on_delete=models.PROTECT, null=True, related_name="holiday"
    )
    opened_reason = models.CharField(max_length=300, blank=True)
    opened_at = models.DateTimeField(null=True)
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["day"]
        constraints = [
            models.UniqueConstraint(
                fields=["day", "country", "subdivision", "timezone"], name="holiday_once"
            ),
            models.CheckConstraint(
                condition=Q(closure__isnull=False, opened_at=None, opened_reason="")
                | (Q(closure=None, opened_at__isnull=False) & ~Q(opened_reason="")),
                name="holiday_closed_or_opened",
            ),
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return f"{self.name}, {self.day}"


explain(
    {
        "shift_bounded": (Refused, "A shift needs a start and a later end."),
        "shift_no_overlap": (
            Conflict,
            "Another shift stands at that time already. Take it away first, or choose other times.",
        ),
        "holiday_once": (Conflict, "Somebody else took these holidays over just now."),
        "holiday_closed_or_opened": (Refused, "Say why the lab is open on this holiday."),
    }
)
