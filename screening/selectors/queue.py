"""The sign-off queue: who waits for a physician's decision."""

from dataclasses import dataclass
from typing import Literal

from django.db.models import F, OuterRef, Subquery

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
    signed = SignOff.objects.filter(participant=OuterRef("participant")).order_by("-id")
    newest = Assessment.objects.filter(
        participant=OuterRef("participant"), gate=Assessment.Gate.SCREENING
    ).order_by("-id")
    waiting = (
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
        .annotate(signed_this=F("signed_assessment"))
        .select_related("participant")
        .order_by("made_at", "id")
    )
    protocol = current_protocol(study)
    table_hash = table_of(protocol).hash
    now = clock.now()
    items = []
    for assessment in waiting:
        kind: Waiting | None = None
        if (
            assessment.protocol_version_id != protocol.version.pk
            or assessment.table_hash != table_hash
        ):
            kind = "rules_changed"
        elif assessment.signed_assessment is None:
            kind = "first"
        elif assessment.signed_assessment != assessment.pk:
            kind = "changed"
        elif (
            assessment.signed_decision == SignOff.Decision.ELIGIBLE
            and now >= assessment.signed_until
        ):
            kind = "lapsed"
        if kind:
            items.append(QueueItem(assessment.participant, assessment, kind))
    return items
