"""Vital sets: readings of one sitting, one arm, one device."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from screening.models.monitors import MonitorClock
from screening.models.timing import ENTRIES, TIMED, Timing
from studylab.audit.history import append_only, corrections, fits, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import User


class VitalSet(models.Model):
    """One set. The decision values are the unrounded means the rules used, null while undecided."""

    class Gate(models.TextChoices):
        SCREENING = "screening", "screening"
        PRE_DOSE = "pre_dose", "before the dose"
        POST_DOSE = "post_dose", "after the dose"
        LEAVE = "leave", "fit to leave"

    class Posture(models.TextChoices):
        SEATED = (
            "seated",
            "seated: back and arm supported, feet flat, cuff at heart level, not talking",
        )
        LYING = "lying", "lying down"
        OTHER = "other", "another way"

    class Rhythm(models.TextChoices):
        REGULAR = "regular", "regular"
        IRREGULAR = "irregular", "irregular"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="vital_sets"
    )
    gate = models.CharField(max_length=10, choices=Gate.choices)
    visit_uid = models.UUIDField(null=True)
    rest_seconds = models.PositiveIntegerField(null=True)
    arm = models.CharField(max_length=5, choices=[("left", "left"), ("right", "right")])
    cuff = models.CharField(max_length=40, blank=True)
    device = models.CharField(max_length=60, blank=True)
    posture = models.CharField(max_length=10, choices=Posture.choices, blank=True)
    girth_cm = models.FloatField(null=True)  # of the upper arm, for the cuff
    before = models.JSONField(default=list)  # keys of BEFORE: what may have moved the readings
    rest = models.ForeignKey(Timing, on_delete=models.PROTECT, null=True, related_name="+")
    entry = models.CharField(max_length=10, choices=ENTRIES, blank=True)
    # The comparison that put right the times read from the device's clock; without one these are uncertain.
    clock = models.ForeignKey(MonitorClock, on_delete=models.PROTECT, null=True, related_name="+")
    time_uncertain = models.BooleanField(default=False, db_default=False)
    measured_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    # One pressure on each arm, before a person's first set; all four or none.
    left_systolic = models.PositiveSmallIntegerField(null=True)
    left_diastolic = models.PositiveSmallIntegerField(null=True)
    right_systolic = models.PositiveSmallIntegerField(null=True)
    right_diastolic = models.PositiveSmallIntegerField(null=True)
    rhythm = models.CharField(max_length=10, choices=Rhythm.choices, blank=True)
    counted_pulse = models.PositiveSmallIntegerField(null=True)  # in 60 seconds, by hand
    symptoms = models.JSONField(default=list)
    systolic = models.FloatField(null=True)
    diastolic = models.FloatField(null=True)
    pulse = models.FloatField(null=True)
    problems = models.JSONField(default=list)  # why nothing could be decided
    verdict = models.CharField(max_length=12, blank=True)  # see services.verdicts; blank: none
    repeat_of = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, related_name="repeats"
    )
    taken_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    deviation = models.ForeignKey(Deviation, on_delete=models.PROTECT, null=True, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        indexes = [
            corrections("vitals_corrections"),
            models.Index(
                fields=["visit_uid"], condition=Q(visit_uid__isnull=False), name="vitals_of_visit"
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(taken_at__lte=F("recorded_at")), name="vitals_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(supersedes=None) | ~Q(reason=""), name="vitals_correction_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(systolic=None, diastolic=None, pulse=None)
                | Q(systolic__isnull=False, diastolic__isnull=False, pulse__isnull=False),
                name="vitals_decided_whole",
            ),
            models.CheckConstraint(
                condition=Q(repeat_of=None) | ~Q(reason=""), name="vitals_repeat_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(
                    left_systolic=None,
                    left_diastolic=None,
                    right_systolic=None,
                    right_diastolic=None,
                )
                | Q(
                    left_systolic__range=(60, 260),
                    left_diastolic__range=(30, 160),
                    right_systolic__range=(60, 260),
                    right_diastolic__range=(30, 160),
                ),
                name="vitals_both_arms_or_none",
            ),
            models.CheckConstraint(
                condition=(Q(counted_pulse=None) | Q(counted_pulse__range=(30, 220)))
                & (Q(girth_cm=None) | Q(girth_cm__range=(15, 70))),
                name="vitals_beside_plausible",
            ),
            models.CheckConstraint(
                condition=Q(rhythm__in=["", "regular", "irregular"])
                & Q(entry__in=["", "typed", "device"]),
                name="vitals_words_known",
            ),
            models.CheckConstraint(
                condition=Q(clock=None) | Q(time_uncertain=False), name="vitals_time_one_or_other"
            ),
        ]
        triggers = [
            *append_only(),
            consent_first("taken_at"),
            fits(
                "rested_here", column="rest_id", table="screening_timing",
                same=("participant_id", "gate", "visit_uid"),
                sentence="This rest was timed for something else. Start the rest again.",
            ),
            guard(
                "clock_of_study",
                operation=pgtrigger.Insert,
                check="""NEW.clock_id IS NULL OR EXISTS (
                    SELECT 1 FROM screening_monitorclock c JOIN screening_monitor m ON m.id = c.monitor_id
                    JOIN participants_participant p ON p.study_id = m.study_id
                    WHERE c.id = NEW.clock_id AND p.id = NEW.participant_id
                      AND lower(m.name) = lower(NEW.device)
                )""",
                sentence="The clock that was compared is that of another device.",
            ),
            fits(
                "vitals_correct_own", column="supersedes_id", table="screening_vitalset",
                same=("participant_id", "gate", "visit_uid"),
                sentence="A correction stands in for a set of the same volunteer, check and visit only.",
            ),
            guard(
                "wait_kept",
                operation=pgtrigger.Insert,
                check="""NEW.gate <> 'post_dose' OR NEW.deviation_id IS NOT NULL OR EXISTS (
                    SELECT 1 FROM scheduling_dose d
                    WHERE NOT NEW.time_uncertain AND d.participant_id = NEW.participant_id
                      AND NOT EXISTS (SELECT 1 FROM scheduling_dose s WHERE s.supersedes_id = d.id)
                      AND d.given_at + d.wait <= NEW.taken_at
                )""",
                sentence="The wait after the dose is not over. An earlier check needs a recorded deviation.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"vital set {self.get_gate_display()}, {self.taken_at:%Y-%m-%d %H:%M} UTC"


class VitalReading(models.Model):
    """One reading as shown by the device: mmHg, mmHg, beats per minute."""

    set = models.ForeignKey(VitalSet, on_delete=models.PROTECT, related_name="readings")
    index = models.PositiveSmallIntegerField()
    systolic = models.PositiveSmallIntegerField()
    diastolic = models.PositiveSmallIntegerField()
    pulse = models.PositiveSmallIntegerField()
    at = models.DateTimeField()
    timed = models.CharField(max_length=10, choices=TIMED, blank=True)
    shown = models.TimeField(null=True)  # what the device's own clock showed, as read

    class Meta:
        ordering = ["index"]
        constraints = [
            models.UniqueConstraint(fields=["set", "index"], name="reading_index_once"),
            models.CheckConstraint(
                condition=Q(
                    systolic__range=(60, 260), diastolic__range=(30, 160), pulse__range=(30, 220)
                ),
                name="reading_plausible",
            ),
            models.CheckConstraint(
                condition=Q(timed="device", shown__isnull=False)
                | (~Q(timed="device") & Q(shown=None)),
                name="reading_shown_by_device",
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.systolic}/{self.diastolic} mmHg, {self.pulse} per minute"


explain(
    {
        "vitals_not_in_future": (
            Refused,
            "The readings were taken later than now. Check the times.",
        ),
        "vitals_repeat_has_reason": (Refused, "Say why another set is taken."),
        "vitals_both_arms_or_none": (Refused, "Enter the pressure of both arms, or of neither."),
        "vitals_beside_plausible": (
            Refused,
            "The counted pulse or the girth of the arm cannot be right.",
        ),
        "vitals_words_known": (
            Refused,
            "Say whether the pulse is regular, and how the readings came here.",
        ),
        "vitals_correction_has_reason": (Refused, "Say why the set is corrected."),
        "screening_vitalset_supersedes_id_key": (
            Conflict,
            "This set was corrected by somebody else meanwhile. Look at the newest one.",
        ),
        "reading_plausible": (
            Refused,
            "A reading is outside what a living person shows. Read it again.",
        ),
    }
)
