"""The sign-off queue: who waits for a physician's decision."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from django.db.models import OuterRef, QuerySet, Subquery

from screening.models import Assessment, SignOff
from screening.selectors.inputs import table_of
from studylab import clock
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

Waiting = Literal["first", "changed", "lapsed", "rules_changed"]


@dataclass(frozen=True, slots=True)
class QueueItem:
    """One person in the queue: the newest assessment and why a decision is due."""

    participant: Participant
    assessment: Assessment
    waiting: Waiting


def sign_off_queue(study: Study) -> list[QueueItem]:
    """Return who has everything on record and no current decision, longest waiting first.

    Somebody of whom a physician asked for more comes back once something new is on record.
    """
    protocol = current_protocol(study)
    rules = (protocol.version.pk, table_of(protocol).hash)
    now = clock.now()
    items = []
    for assessment in _decidable(study):
        waiting = _waiting(assessment, rules, now)
        if waiting:
            items.append(QueueItem(assessment.participant, assessment, waiting))
    return items


def _decidable(study: Study) -> QuerySet[Assessment]:
    """Return the newest assessment of every active volunteer if it can be decided, with the newest sign-off."""
    newest = Assessment.objects.filter(
        participant=OuterRef("participant"), gate=Assessment.Gate.SCREENING
    ).order_by("-id")
    signed = SignOff.objects.filter(participant=OuterRef("participant")).order_by("-id")
    return (
        Assessment.objects.filter(
            participant__study=study,
            participant__status=Participant.Status.ACTIVE,
            gate=Assessment.Gate.SCREENING,
            id=Subquery(newest.values("id")[:1]),
        )
        .exclude(outcome=Assessment.Outcome.CANNOT_DECIDE)
        .annotate(
            signed_assessment=Subquery(signed.values("assessment_id")[:1]),
            signed_decision=Subquery(signed.values("decision")[:1]),
            signed_until=Subquery(signed.values("valid_until")[:1]),
        )
        .select_related("participant")
        .order_by("made_at", "id")
    )


def _waiting(assessment: Any, rules: tuple[int, str], now: datetime) -> Waiting | None:
    """Return why a decision is due; None when the newest one stands. `assessment` comes from `_decidable`."""
    if (assessment.protocol_version_id, assessment.table_hash) != rules:
        return "rules_changed"
    if assessment.signed_assessment is None:
        return "first"
    if assessment.signed_assessment != assessment.pk:
        return "changed"
    if assessment.signed_decision == SignOff.Decision.ELIGIBLE and now >= assessment.signed_until:
        return "lapsed"
    return None
