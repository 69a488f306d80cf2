"""Checks besides the readings: standing test, pregnancy test, breath alcohol, last meal, ECG."""

import uuid

from django.db import models
from django.db.models import F, Q

from screening.models.timing import ENTRIES
from screening.models.vitals import VitalSet
from studylab.audit.history import append_only, corrections, fits
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class Check(models.Model):
    """One check as taken. `values` depends on the kind, see `screening.rules.checks`; `outcome` and `said` are
    what the rules made of it when it was recorded."""

    class Kind(models.TextChoices):
        STANDING = "standing_test", "standing test"
        PREGNANCY = "pregnancy_test", "pregnancy test"
        ALCOHOL = "breath_alcohol", "breath alcohol"
        MEAL = "last_meal", "last meal"
        ECG = "ecg", "ECG"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="checks")
    kind = models.CharField(max_length=20, choices=Kind.choices)
    gate = models.CharField(max_length=10, choices=VitalSet.Gate.choices)
    visit_uid = models.UUIDField(null=True)
    values = models.JSONField()
    outcome = models.CharField(max_length=10)
    said = models.CharField(max_length=300)
    device = models.CharField(max_length=60, blank=True)  # or the batch of a test strip
    entry = models.CharField(max_length=10, choices=ENTRIES)
    taken_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    measured_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [
            corrections("check_corrections"),
            models.Index(
                fields=["visit_uid"], condition=Q(visit_uid__isnull=False), name="check_of_visit"
            ),
            models.Index(fields=["participant", "gate", "kind", "id"], name="check_of_gate"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(taken_at__lte=F("recorded_at")), name="check_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="check_correction_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(
                    kind__in=[
                        "standing_test",
                        "pregnancy_test",
                        "breath_alcohol",
                        "last_meal",
                        "ecg",
                    ],
                    gate__in=["screening", "pre_dose", "post_dose", "leave"],
                    entry__in=["typed", "device"],
                ),
                name="check_words_known",
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("taken_at"),
            fits(
                "corrects_own", column="supersedes_id", table="screening_check",
                same=("participant_id", "gate", "kind", "visit_uid"),
                sentence="A correction replaces a check of the same person, kind and gate.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.taken_at:%Y-%m-%d %H:%M} UTC"


class EcgReading(models.Model):
    """What a clinician says of one ECG. Until then the ECG counts as not there."""

    check_row = models.OneToOneField(Check, on_delete=models.PROTECT, related_name="reading")
    conclusion = models.CharField(max_length=20)
    note = models.CharField(max_length=1000, blank=True)
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(conclusion__in=["normal", "to_weigh", "contraindication"]),
                name="ecg_conclusion_known",
            ),
            models.CheckConstraint(
                condition=Q(conclusion="normal") | ~Q(note=""), name="ecg_finding_has_words"
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"ECG read as {self.conclusion}"


explain(
    {
        "check_not_in_future": (Refused, "The check was taken later than now. Look at the time."),
        "check_correction_has_reason": (Refused, "Say why the check is corrected."),
        "check_words_known": (Refused, "This check does not exist here."),
        "screening_check_supersedes_id_key": (
            Conflict,
            "This check was corrected by somebody else meanwhile. Look at the newest one.",
        ),
        "screening_ecgreading_check_row_id_key": (
            Conflict,
            "This ECG was read by somebody else meanwhile.",
        ),
        "ecg_conclusion_known": (Refused, "Choose what the ECG shows."),
        "ecg_finding_has_words": (Refused, "Say what the ECG shows."),
    }
)
