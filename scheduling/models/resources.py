"""Everything that can be occupied: rooms, chairs, sensor sets, people, physician cover."""

import uuid
from datetime import datetime

from django.contrib.postgres.fields import DateTimeRangeField
from django.contrib.postgres.functions import RandomUUID
from django.db import models
from django.db.models import F, Q

from scheduling.models.ranges import bounded
from studylab.audit.history import history, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User


class Resource(models.Model):
    """A thing or person of a kind. With several places it is several bookable places.

    `kind` is what study documents ask for: "lab room", "waiting chair", "sensor set", "experimenter",
    "second checker", "physician cover", "dispensary". `user` ties people's resources to their accounts.
    """

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    kind = models.CharField(max_length=40)
    name = models.CharField(max_length=80, unique=True)
    user = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="resources")
    timezone = models.CharField(max_length=60)
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ["kind", "name"]
        constraints = [
            # Bookings are kept apart by place, so a person is one place; cover is being at the site, not a task.
            models.UniqueConstraint(
                fields=["user"],
                condition=Q(is_active=True, user__isnull=False) & ~Q(kind="physician cover"),
                name="resource_person_once",
            )
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return self.name


class Place(models.Model):
    """One bookable place of a resource."""

    resource = models.ForeignKey(Resource, on_delete=models.PROTECT, related_name="places")
    index = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["resource_id", "index"]
        constraints = [models.UniqueConstraint(fields=["resource", "index"], name="place_once")]
        triggers = history()

    def __str__(self) -> str:
        return f"place {self.index} of resource {self.resource_id}"


class Opening(models.Model):
    """Local opening hours of a resource on one weekday (Monday is 0)."""

    resource = models.ForeignKey(Resource, on_delete=models.CASCADE, related_name="openings")
    weekday = models.PositiveSmallIntegerField()
    opens = models.TimeField()
    closes = models.TimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(weekday__lte=6), name="opening_weekday_known"),
            models.CheckConstraint(
                condition=Q(closes__gt=F("opens")), name="opening_ends_after_start"
            ),
        ]
        triggers = history()

    def __str__(self) -> str:
        return f"weekday {self.weekday}, {self.opens:%H:%M}-{self.closes:%H:%M}"


class Closure(models.Model):
    """A time in which a resource, or with none named the whole lab, cannot be used."""

    uid = models.UUIDField(default=uuid.uuid4, db_default=RandomUUID(), unique=True, editable=False)
    resource = models.ForeignKey(
        Resource, on_delete=models.CASCADE, null=True, related_name="closures"
    )
    during = DateTimeRangeField()
    reason = models.CharField(max_length=120)

    class Meta:
        constraints = [bounded("during", "closure_bounded")]
        triggers = history()

    def __str__(self) -> str:
        return self.reason


class CoverPresence(models.Model):
    """A physician checked in at the site, until when they stay. The rota alone is not presence.

    `confirmed_at` is when they last said so themselves, `whereabouts` where they are found.
    """

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="presences")
    checked_in_at = models.DateTimeField()
    until = models.DateTimeField()
    checked_out_at = models.DateTimeField(null=True)
    confirmed_at = models.DateTimeField(null=True)
    whereabouts = models.CharField(max_length=80, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(until__gt=F("checked_in_at")), name="presence_ends_after_start"
            )
        ]
        triggers = never_deleted()

    def __str__(self) -> str:
        return f"from {self.checked_in_at} until {self.until}"

    @property
    def said_at(self) -> datetime:
        """When the physician last said to be at the site."""
        return self.confirmed_at or self.checked_in_at


explain(
    {
        "resource_person_once": (
            Conflict,
            "This person can be booked as something else already, so nobody would see that they are busy there. Take "
            "that out of use first; for a lab whose experimenters check doses, the study document asks for two of them.",
        ),
        "scheduling_resource_name_key": (
            Conflict,
            "There is something of this name already, perhaps out of use. Choose another name.",
        ),
        "opening_ends_after_start": (Refused, "Closing time is before opening time."),
        "closure_bounded": (Refused, "A closure needs a start and a later end."),
        "presence_ends_after_start": (Refused, "The end of the presence is before its start."),
    }
)
