"""When a volunteer can come and what they would like, and options that are held for them for a while."""

import uuid

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateTimeRangeField, RangeOperators
from django.db import models
from django.db.models import F, Q

from scheduling.models.ranges import bounded
from scheduling.models.resources import Place
from studylab.audit.history import history
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.studies.models import ProtocolVersion


class Availability(models.Model):
    """When one volunteer can come. Half-days are "0 am" (Monday morning) to "6 pm"; `away` holds days.

    `away` is a list of [first day, last day], both included, as ISO text.
    """

    participant = models.OneToOneField(
        Participant, on_delete=models.PROTECT, related_name="availability"
    )
    cannot = ArrayField(models.CharField(max_length=4), default=list)
    rather_not = ArrayField(models.CharField(max_length=4), default=list)
    not_earlier = models.TimeField(null=True)
    not_later = models.TimeField(null=True)
    away = models.JSONField(default=list)
    same_clock = models.BooleanField(default=False)
    same_person = models.BooleanField(default=False)
    noted_at = models.DateTimeField()
    noted_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(not_earlier=None)
                | Q(not_later=None)
                | Q(not_later__gt=F("not_earlier")),
                name="availability_leaves_time",
            )
        ]
        triggers = history()

    def __str__(self) -> str:
        return f"availability of participant {self.participant_id}"


class OptionHold(models.Model):
    """A series that is kept free for one volunteer until `until`; then it lapses by itself."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="holds_of_times"
    )
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    option = models.JSONField()
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    until = models.DateTimeField()
    is_active = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["participant"],
                condition=Q(is_active=True),
                name="hold_one_per_person",
            ),
            models.CheckConstraint(
                condition=Q(until__gt=F("taken_at")), name="hold_ends_after_start"
            ),
        ]

    def __str__(self) -> str:
        return f"held option {self.uid}"


class HeldPlace(models.Model):
    """One place of a held option, turnaround included. Switched off when the hold ends or has lapsed."""

    hold = models.ForeignKey(OptionHold, on_delete=models.PROTECT, related_name="places")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    blocked = DateTimeRangeField()
    is_active = models.BooleanField(default=True)

    class Meta:
        constraints = [
            bounded("blocked", "held_blocked_bounded"),
            ExclusionConstraint(
                name="held_place_free",
                expressions=[("place", RangeOperators.EQUAL), ("blocked", RangeOperators.OVERLAPS)],
                condition=Q(is_active=True),
            ),
        ]

    def __str__(self) -> str:
        return f"place {self.place_id} held, {self.blocked}"


explain(
    {
        "availability_leaves_time": (
            Refused,
            "This leaves no time: “over by” is not after “not before”.",
        ),
        "hold_one_per_person": (Conflict, "A series is being held for this volunteer just now."),
        "held_place_free": (
            Conflict,
            "Somebody else holds one of these places just now. Choose again from the fresh times.",
        ),
    }
)
