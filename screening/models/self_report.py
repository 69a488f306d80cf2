"""What a volunteer writes through a personal link, entry by entry, until it is sent."""

import uuid

import pgtrigger
from django.db import models
from django.db.models import Q

from screening.models.answers import AnswerSet
from studylab.audit.history import append_only, guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first

_KINDS = ("questions", "study")


class SelfReport(models.Model):
    """One questionnaire of a volunteer. It goes on through a new link; once sent it stays as it is.

    `screens_seen` are the numbers of the screens that were gone through.
    """

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="self_reports"
    )
    started_at = models.DateTimeField()
    screens_seen = models.JSONField(default=list)
    sent_at = models.DateTimeField(null=True)
    language = models.CharField(max_length=10, blank=True)
    answer_set = models.OneToOneField(
        AnswerSet, on_delete=models.PROTECT, null=True, related_name="self_report"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["participant"], condition=Q(sent_at=None), name="self_report_one_open"
            ),
            models.CheckConstraint(
                condition=Q(sent_at=None, answer_set=None)
                | Q(sent_at__isnull=False, answer_set__isnull=False),
                name="self_report_sent_with_answers",
            ),
        ]
        triggers = [
            *never_deleted(),
            consent_first("started_at", _KINDS),
            guard(
                "self_report_stays",
                operation=pgtrigger.Update,
                check="OLD.sent_at IS NULL AND NEW.participant_id = OLD.participant_id",
                sentence="This questionnaire was sent. It stays as it is.",
            ),
        ]

    def __str__(self) -> str:
        return f"questionnaire of {self.participant_id}"


class SelfReportEntry(models.Model):
    """One key at one moment, in the volunteer's own words. A changed answer is a further entry.

    `key` is a question's id, "medicines", "height_cm" or "weight_kg"; `content` is {"value", "detail"}, for
    medicines {"none", "list"}.
    """

    report = models.ForeignKey(SelfReport, on_delete=models.PROTECT, related_name="entries")
    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="+")
    key = models.CharField(max_length=40)
    content = models.JSONField()
    at = models.DateTimeField()

    class Meta:
        triggers = [
            *append_only(),
            consent_first("at", _KINDS),
            guard(
                "self_report_open",
                operation=pgtrigger.Insert,
                check="""EXISTS (
                    SELECT 1 FROM screening_selfreport r WHERE r.id = NEW.report_id
                      AND r.participant_id = NEW.participant_id AND r.sent_at IS NULL
                )""",
                sentence="This questionnaire was sent. It stays as it is.",
            ),
        ]

    def __str__(self) -> str:
        return self.key


explain(
    {
        "self_report_one_open": (
            Conflict,
            "The questionnaire was opened twice. Load the page again.",
        ),
        "self_report_sent_with_answers": (Refused, "A questionnaire is sent with its answers."),
    }
)
