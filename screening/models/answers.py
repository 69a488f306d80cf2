"""What a volunteer answered, and which medicines they take."""

import uuid

from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, corrections, fits
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class AnswerSet(models.Model):
    """One sitting of questions. A changed answer is a new set that supersedes this one.

    `answers` maps question id to {"value": ..., "detail": "..."}; `medicines` is a list of {"name", "atc",
    "route", "dose", "last_taken", "prescribed", "prescriber"}. A question that is absent was not answered.
    """

    class When(models.TextChoices):
        SCREENING = "screening", "at screening"
        AHEAD = "ahead", "before the dosing visit"
        DOSING_DAY = "dosing_day", "on the dosing day"

    class Source(models.TextChoices):
        VOLUNTEER = "volunteer", "the volunteer"
        STAFF = "staff", "staff, as told by the volunteer"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="answer_sets"
    )
    when = models.CharField(max_length=10, choices=When.choices)
    visit_uid = models.UUIDField(null=True)
    answers = models.JSONField(default=dict)
    medicines = models.JSONField(default=list)
    no_medicines = models.BooleanField(default=False)
    age_years = models.PositiveSmallIntegerField(null=True)
    height_cm = models.FloatField(null=True)
    weight_kg = models.FloatField(null=True)
    source = models.CharField(max_length=10, choices=Source.choices)
    given_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [
            corrections("answers_corrections"),
            models.Index(
                fields=["visit_uid"], condition=Q(visit_uid__isnull=False), name="answers_of_visit"
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(given_at__lte=F("recorded_at")), name="answers_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="answers_change_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(no_medicines=False) | Q(medicines=[]),
                name="answers_medicines_consistent",
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("given_at", ("questions", "study")),
            fits(
                "answers_change_own", column="supersedes_id", table="screening_answerset",
                same=("participant_id", '"when"', "visit_uid"),
                sentence="Changed answers stand in for answers of the same volunteer and day only.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"answers {self.get_when_display()}, {self.given_at:%Y-%m-%d %H:%M} UTC"


explain(
    {
        "answers_not_in_future": (
            Refused,
            "The answers were given later than now. Check date and time.",
        ),
        "answers_change_has_reason": (Refused, "Say why the answers are changed."),
        "answers_medicines_consistent": (
            Refused,
            "Medicines are listed although “takes no medicines” is ticked. Correct one of them.",
        ),
        "screening_answerset_supersedes_id_key": (
            Conflict,
            "These answers were changed by somebody else meanwhile. Look at the newest ones.",
        ),
    }
)
