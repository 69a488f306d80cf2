"""Reports to those who must hear of an event or a breach, and whether the person was told."""

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, fits, guard
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.deviation import Deviation
from studylab.participants.models.event import AdverseEvent
from studylab.people.models import Signature, User

_ONE_SUBJECT = Q(event__isnull=False, deviation=None) | Q(event=None, deviation__isnull=False)


class SafetyReport(models.Model):
    """One report that was sent. `receipt` is how its arrival was confirmed; until then it stays red."""

    class Part(models.TextChoices):
        FIRST = "first", "first report"
        FOLLOW_UP = "follow_up", "follow-up report"

    event = models.ForeignKey(
        AdverseEvent, on_delete=models.PROTECT, null=True, related_name="reports"
    )
    deviation = models.ForeignKey(
        Deviation, on_delete=models.PROTECT, null=True, related_name="reports"
    )
    rule = models.CharField(max_length=60)
    part = models.CharField(max_length=10, choices=Part.choices)
    to = models.CharField(max_length=200)
    due_by = models.DateTimeField()  # as it stood when the report was entered
    sent_at = models.DateTimeField()
    how = models.CharField(max_length=200)
    receipt = models.CharField(max_length=200, blank=True)
    received_at = models.DateTimeField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=_ONE_SUBJECT, name="report_one_subject"),
            models.CheckConstraint(
                condition=Q(sent_at__lte=F("recorded_at")), name="report_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(receipt="", received_at=None)
                | (~Q(receipt="") & Q(received_at__gte=F("sent_at"))),
                name="report_receipt_has_time",
            ),
            models.UniqueConstraint(
                fields=["event", "deviation", "rule", "part"],
                condition=Q(supersedes=None),
                nulls_distinct=False,
                name="report_once",
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "report_corrects_own", column="supersedes_id", table="participants_safetyreport",
                same=("event_id", "deviation_id", "rule", "part"),
                sentence="An entry stands in for one of the same report only.",
            ),
        ]  # fmt: skip


class Told(models.Model):
    """Whether the person was told of what touched their dose, blind or safety. The newest row counts.

    Told: when, by whom and in which words. Not told: why, signed by a clinician.
    """

    event = models.ForeignKey(
        AdverseEvent, on_delete=models.PROTECT, null=True, related_name="told"
    )
    deviation = models.ForeignKey(
        Deviation, on_delete=models.PROTECT, null=True, related_name="told"
    )
    told = models.BooleanField()
    told_at = models.DateTimeField(null=True)
    told_by = models.CharField(max_length=120, blank=True)
    wording = models.TextField(blank=True)
    reason = models.TextField(blank=True)
    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=_ONE_SUBJECT, name="told_one_subject"),
            models.CheckConstraint(
                condition=(
                    Q(told=True, told_at__lte=F("recorded_at")) & ~Q(told_by="") & ~Q(wording="")
                )
                | (Q(told=False, told_at=None, signature__isnull=False) & ~Q(reason="")),
                name="told_or_signed_why_not",
            ),
        ]
        triggers = append_only()


class DeviationAssessment(models.Model):
    """What a deviation means: how important, its effect on the person and on the data, what is changed.

    The newest row counts. `touches`: the person's dose, blind or safety. `breach`: a serious breach or not, with why.
    """

    class Importance(models.TextChoices):
        MINOR = "minor", "minor"
        IMPORTANT = "important", "important"

    deviation = models.ForeignKey(Deviation, on_delete=models.PROTECT, related_name="assessments")
    importance = models.CharField(max_length=10, choices=Importance.choices)
    effect_person = models.TextField()
    effect_data = models.TextField()
    corrective = models.TextField()
    touches = models.BooleanField()
    breach = models.BooleanField()
    breach_why = models.TextField(blank=True)
    assessed_at = models.DateTimeField()
    assessed_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, related_name="superseded_by"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["deviation"], condition=Q(supersedes=None), name="assessment_one_first"
            ),
        ]
        triggers = [
            *append_only(),
            fits(
                "assessment_follows_own", column="supersedes_id",
                table="participants_deviationassessment", same=("deviation_id",),
                sentence="An assessment follows one of the same deviation only.",
            ),
            guard(
                "assessment_while_open",
                operation=pgtrigger.Insert,
                check="EXISTS (SELECT 1 FROM participants_deviation d WHERE d.id = NEW.deviation_id"
                " AND d.state <> 'closed')",
                sentence="A closed deviation stays as it was signed. Record a new one.",
            ),
        ]  # fmt: skip


explain(
    {
        "report_once": (Conflict, "This report is on record already. Enter its receipt there."),
        "report_not_in_future": (Refused, "It was sent later than now. Check date and time."),
        "report_receipt_has_time": (
            Refused,
            "A receipt has a reference and a time, and comes after the report was sent.",
        ),
        "participants_safetyreport_supersedes_id_key": (
            Conflict,
            "Somebody else changed this report meanwhile. Look at it and try again.",
        ),
        "told_or_signed_why_not": (
            Refused,
            "Say when, by whom and in which words the person was told, or sign why not.",
        ),
        "participants_deviationassessment_supersedes_id_key": (
            Conflict,
            "Somebody else assessed this deviation meanwhile. Look at it and try again.",
        ),
        "assessment_one_first": (
            Conflict,
            "Somebody else assessed this deviation meanwhile. Look at it and try again.",
        ),
    }
)
