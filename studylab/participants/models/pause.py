"""Dosing paused for everybody, how somebody in care is, and what people with a dose to come are told."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import F, Q

from studylab.audit.history import append_only, guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models.consent import consent_first
from studylab.participants.models.event import AdverseEvent
from studylab.participants.models.person import Participant
from studylab.people.models import Signature, User
from studylab.studies.models import Study

AFTER_RESTORE = "restored from a backup"  # a pause that no rule of the study made


class CareStatus(models.Model):
    """How somebody in care is, told by a named source. It opens the gate until `counts_until`; never without."""

    class Status(models.TextChoices):
        HOME = "home", "well and home again"
        STABLE = "stable", "in care, stable or better"
        WORSE = "worse", "in care, worse"
        DIED = "died", "died"
        NOT_KNOWN = "not_known", "not known"

    event = models.ForeignKey(AdverseEvent, on_delete=models.PROTECT, related_name="statuses")
    status = models.CharField(max_length=10, choices=Status.choices)
    source = models.CharField(max_length=200)
    obtained_at = models.DateTimeField()
    counts_until = models.DateTimeField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(status="stable", counts_until__gt=F("obtained_at"))
                | (~Q(status="stable") & Q(counts_until=None)),
                name="care_only_stable_counts",
            ),
            models.CheckConstraint(
                condition=Q(obtained_at__lte=F("recorded_at")), name="care_not_in_future"
            ),
            models.CheckConstraint(
                condition=Q(status="not_known") | ~Q(source=""), name="care_source_named"
            ),
        ]
        triggers = append_only()


class DosingPause(models.Model):
    """Nobody in the study is dosed while it stands: by a stopping rule, or while somebody is in care.

    `marks` name the events and holds that counted. It ends when the supervising physician and the study lead have both
    signed; a pause over care also when the person is home.
    """

    class Kind(models.TextChoices):
        RULE = "rule", "stopping rule"
        CARE = "care", "somebody in care"

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="pauses")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    rule = models.CharField(max_length=60, blank=True)
    text = models.TextField()
    marks = models.JSONField(default=list)
    event = models.ForeignKey(
        AdverseEvent, on_delete=models.PROTECT, null=True, related_name="pauses"
    )
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")
    physician = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")
    physician_reason = models.TextField(blank=True)
    lead = models.ForeignKey(Signature, on_delete=models.PROTECT, null=True, related_name="+")
    lead_reason = models.TextField(blank=True)
    lifted_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(lifted_at=None)
                | Q(kind="care")
                | Q(physician__isnull=False, lead__isnull=False),
                name="pause_lifted_by_two",
            ),
            models.CheckConstraint(
                condition=Q(physician=None, physician_reason="")
                | (Q(physician__isnull=False) & ~Q(physician_reason="")),
                name="pause_physician_says_why",
            ),
            models.CheckConstraint(
                condition=Q(lead=None, lead_reason="")
                | (Q(lead__isnull=False) & ~Q(lead_reason="")),
                name="pause_lead_says_why",
            ),
            models.CheckConstraint(
                condition=Q(kind="rule", event=None) | Q(kind="care", event__isnull=False),
                name="pause_kind_fits",
            ),
            models.UniqueConstraint(
                fields=["study", "rule"],
                condition=Q(lifted_at=None, kind="rule"),
                name="pause_once_per_rule",
            ),
        ]
        indexes = [models.Index(fields=["study"], condition=Q(lifted_at=None), name="pause_open")]
        triggers = [
            *never_deleted(),
            guard(
                "pause_two_people",
                operation=pgtrigger.Insert | pgtrigger.Update,
                check="""NEW.lifted_at IS NULL OR EXISTS (
                    SELECT 1 FROM people_signature p JOIN people_signature l ON l.user_id <> p.user_id
                    WHERE p.id = NEW.physician_id AND l.id = NEW.lead_id
                ) OR (NEW.kind = 'care' AND 'home' = (
                    SELECT c.status FROM participants_carestatus c
                    WHERE c.event_id = NEW.event_id AND c.recorded_at >= NEW.opened_at
                    ORDER BY c.obtained_at DESC, c.id DESC LIMIT 1
                ))""",
                sentence="Dosing goes on when two different people have signed: the supervising physician and the "
                "study lead.",
            ),
            guard(
                "pause_lifted_stays",
                operation=pgtrigger.Update,
                check="OLD.lifted_at IS NULL",
                sentence="This pause is over and stays as it was signed.",
            ),
        ]

    def __str__(self) -> str:
        return self.text

    @property
    def why(self) -> str:
        """What stands before its text."""
        by_rule = self.kind == self.Kind.RULE and self.rule != AFTER_RESTORE
        return "Dosing is paused by a stopping rule" if by_rule else "Dosing is paused"


class SafetyNews(models.Model):
    """What people with a dose to come are told about an event, or why nobody needs to be. Signed by a clinician."""

    event = models.ForeignKey(AdverseEvent, on_delete=models.PROTECT, related_name="news")
    version = models.PositiveSmallIntegerField()
    needed = models.BooleanField()
    text = models.TextField(blank=True)
    reason = models.TextField(blank=True)
    signature = models.ForeignKey(Signature, on_delete=models.PROTECT, related_name="+")
    approved_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["event", "version"], name="news_version_once"),
            models.CheckConstraint(
                condition=(Q(needed=True) & ~Q(text="")) | (Q(needed=False) & ~Q(reason="")),
                name="news_has_words",
            ),
        ]
        triggers = append_only()


class NewsAnswer(models.Model):
    """What one person chose after they were told: to go on, or to stop. The newest answer counts."""

    class Choice(models.TextChoices):
        CONTINUE = "continue", "goes on"
        STOP = "stop", "stops"

    news = models.ForeignKey(SafetyNews, on_delete=models.PROTECT, related_name="answers")
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="news_answers"
    )
    choice = models.CharField(max_length=10, choices=Choice.choices)
    told_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(told_at__lte=F("recorded_at")), name="news_not_in_future"
            ),
        ]
        triggers = [*append_only(), consent_first("told_at")]


explain(
    {
        "care_only_stable_counts": (Refused, "Only news of a stable person counts for some hours."),
        "care_source_named": (Refused, "Name who told you: function, name and place."),
        "pause_lifted_by_two": (
            Refused,
            "Dosing goes on when the supervising physician and the study lead have both signed.",
        ),
        "pause_once_per_rule": (Conflict, "Dosing is paused by this rule already."),
        "news_version_once": (Conflict, "Somebody else approved a text meanwhile. Look at it."),
        "news_has_words": (Refused, "Write the text, or why nobody needs to be told."),
    }
)
