"""Talking with a volunteer about booked visits: read back, confirmed, tried to reach."""

from django.db import models
from django.db.models import F, Q

from scheduling.models.series import Series, Visit
from studylab.audit.history import append_only, fits
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class Talk(models.Model):
    """One talk, or one try that reached nobody. `visit` is None where it is about the whole series.

    A row speaks for the times that were booked when it was recorded: after a move it no longer counts.
    """

    class Kind(models.TextChoices):
        READ_BACK = "read_back", "times read back"
        CONFIRM = "confirm", "visit confirmed"
        ABSENT = "absent", "tried to reach somebody who did not come"

    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="talks")
    series = models.ForeignKey(Series, on_delete=models.PROTECT, related_name="talks")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, null=True, related_name="talks")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    reached = models.BooleanField()
    about = models.JSONField(default=list)  # [number, planned start as ISO text] of what was said
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["read_back", "confirm", "absent"]), name="talk_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(at__lte=F("recorded_at")), name="talk_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(kind="read_back") | Q(visit__isnull=False), name="talk_about_a_visit"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("at"),
            fits(
                "talk_of_own_series", column="series_id", table="scheduling_series",
                same=("participant_id",), sentence="The series is another volunteer's.",
            ),
            fits(
                "talk_of_own_visit", column="visit_id", table="scheduling_visit",
                same=("participant_id",), sentence="The visit is another volunteer's.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.kind} at {self.at}"


explain(
    {
        "talk_not_in_future": (Refused, "This is later than now. Check the time."),
        "talk_about_a_visit": (Refused, "Say which visit it is about."),
    }
)
