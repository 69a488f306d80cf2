"""What the rules found, and what a clinician decided and signed."""

import pgtrigger
from django.db import models
from django.db.models import Q

from screening.models.answers import AnswerSet
from screening.models.runs import RulesRun
from screening.models.vitals import VitalSet
from studylab.audit.history import append_only, fits, guard
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.participants.models.consent import consent_first
from studylab.people.models import Signature
from studylab.studies.models import ProtocolVersion


class Assessment(models.Model):
    """The rules over one state of a person's answers and values. A proposal, never a decision."""

    class Gate(models.TextChoices):
        SCREENING = "screening", "screening"
        AHEAD = "ahead", "before the dosing visit"
        DOSING_DAY = "dosing_day", "dosing day"

    class Outcome(models.TextChoices):
        CLEAR = "clear", "clear to sign"
        PHYSICIAN = "physician", "physician decides"
        HOLD = "hold", "hold today"
        EXCLUDE = "exclude", "excluded"
        CANNOT_DECIDE = "cannot_decide", "cannot decide"

    participant = models.ForeignKey(
        Participant, on_delete=models.PROTECT, related_name="assessments"
    )
    gate = models.CharField(max_length=10, choices=Gate.choices)
    outcome = models.CharField(max_length=15, choices=Outcome.choices)
    findings = models.JSONField()
    missing = models.JSONField()
    table_version = models.CharField(max_length=20)
    table_hash = models.CharField(max_length=64)
    protocol_version = models.ForeignKey(
        ProtocolVersion, on_delete=models.PROTECT, related_name="+"
    )
    answer_set = models.ForeignKey(AnswerSet, on_delete=models.PROTECT, null=True, related_name="+")
    vital_set = models.ForeignKey(VitalSet, on_delete=models.PROTECT, null=True, related_name="+")
    inputs_digest = models.CharField(max_length=64)
    made_at = models.DateTimeField()
    run = models.ForeignKey(
        RulesRun, on_delete=models.PROTECT, null=True, related_name="assessments"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(findings__contains=[{"disposition": "exclude"}])
                | Q(outcome="exclude"),
                name="assessment_exclusion_excludes",
            ),
            models.CheckConstraint(
                condition=Q(missing=[]) | Q(outcome__in=["exclude", "cannot_decide"]),
                name="assessment_missing_is_no_pass",
            ),
            models.CheckConstraint(
                condition=~Q(findings__contains=[{"disposition": "hold"}])
                | Q(outcome__in=["exclude", "hold", "cannot_decide"]),
                name="assessment_hold_holds",
            ),
            models.CheckConstraint(
                condition=~Q(findings__contains=[{"disposition": "physician"}])
                | ~Q(outcome="clear"),
                name="assessment_item_is_not_clear",
            ),
        ]
        indexes = [models.Index(fields=["participant", "gate", "-id"], name="assessment_newest")]
        triggers = [
            *append_only(),
            fits(
                "assesses_own_answers", column="answer_set_id", table="screening_answerset",
                same=("participant_id",), sentence="The answers are another volunteer's.",
            ),
            fits(
                "assesses_own_vitals", column="vital_set_id", table="screening_vitalset",
                same=("participant_id",), sentence="The readings are another volunteer's.",
            ),
        ]  # fmt: skip

    def __str__(self) -> str:
        return f"assessment {self.get_gate_display()}: {self.get_outcome_display()}"


class SignOff(models.Model):
    """A clinician's decision on taking part. Current while it is the newest, valid, and about the newest
    assessment; a new assessment makes it visibly void."""

    class Decision(models.TextChoices):
        ELIGIBLE = "eligible", "eligible"
        NOT_ELIGIBLE = "not_eligible", "not eligible"
        NEEDS_MORE = "needs_more", "needs more"

    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="sign_offs")
    assessment = models.ForeignKey(Assessment, on_delete=models.PROTECT, related_name="sign_offs")
    decision = models.CharField(max_length=12, choices=Decision.choices)
    item_decisions = models.JSONField(default=list)
    records_seen = models.JSONField(default=list)  # keys of the site's other records of the person
    requests = models.JSONField(default=list)  # with "needs more": [{"what", "who"}]
    personal_limits = models.JSONField(null=True)
    reason = models.TextField(blank=True)
    signature = models.OneToOneField(Signature, on_delete=models.PROTECT, related_name="+")
    signed_at = models.DateTimeField()
    valid_until = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(decision="eligible") | ~Q(reason=""), name="sign_off_refusal_has_reason"
            ),
            models.CheckConstraint(
                condition=Q(decision__in=["eligible", "not_eligible", "needs_more"]),
                name="sign_off_decision_known",
            ),
            models.CheckConstraint(
                condition=Q(requests=[]) | Q(decision="needs_more"), name="sign_off_asks_for_more"
            ),
        ]
        indexes = [models.Index(fields=["participant", "-id"], name="sign_off_newest")]
        triggers = [
            *append_only(),
            # A refusal may be countersigned before the full consent; a number needs that consent itself.
            consent_first("signed_at", ("questions", "study")),
            guard(
                "no_override",
                operation=pgtrigger.Insert,
                check="""NEW.decision <> 'eligible' OR EXISTS (
                    SELECT 1 FROM screening_assessment a
                    WHERE a.id = NEW.assessment_id AND a.participant_id = NEW.participant_id
                      AND a.gate = 'screening' AND a.outcome IN ('clear', 'physician')
                      AND NOT EXISTS (
                          SELECT 1 FROM jsonb_array_elements(a.findings) f
                          WHERE f->>'disposition' IN ('exclude', 'hold')
                             OR right(f->>'rule_id', 8) = '-outside')
                )""",
                sentence="Somebody whom the rules exclude, hold or cannot decide on cannot be signed eligible.",
            ),
            guard(
                "newest_only",
                operation=pgtrigger.Insert,
                check="""NOT EXISTS (
                    SELECT 1 FROM screening_assessment a
                    WHERE a.participant_id = NEW.participant_id AND a.gate = 'screening'
                      AND a.id > NEW.assessment_id
                )""",
                sentence="Answers, values or rules changed since. Only the newest assessment can be signed.",
            ),
            guard(
                "items_decided",
                operation=pgtrigger.Insert,
                check="""NEW.decision <> 'eligible' OR NOT EXISTS (
                    SELECT 1 FROM screening_assessment a, jsonb_array_elements(a.findings) f
                    WHERE a.id = NEW.assessment_id AND f->>'disposition' = 'physician'
                      AND NOT EXISTS (
                          SELECT 1 FROM jsonb_array_elements(NEW.item_decisions) d
                          WHERE d->>'rule_id' = f->>'rule_id' AND d->>'said' = f->>'said'
                            AND d->>'decision' = 'accept' AND btrim(COALESCE(d->>'reason', '')) <> '')
                )""",
                sentence="Every item that a physician decides needs a decision and its reason.",
            ),
        ]

    def __str__(self) -> str:
        return f"signed: {self.get_decision_display()}"


_STRICTEST = (
    Refused,
    "The outcome does not follow from the findings: the strictest of them decides, and missing is never a pass.",
)
explain(
    {
        "assessment_exclusion_excludes": _STRICTEST,
        "assessment_missing_is_no_pass": _STRICTEST,
        "assessment_hold_holds": _STRICTEST,
        "assessment_item_is_not_clear": _STRICTEST,
        "sign_off_refusal_has_reason": (
            Refused,
            "Say why: the volunteer and the record need a reason.",
        ),
    }
)
