"""The sign-off queue: who waits for a physician's decision."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from django.db.models import OuterRef, Subquery

from screening.models import Assessment, SignOff
from screening.selectors.inputs import table_of
from screening.selectors.lapsing import lapsing
from screening.selectors.requests import all_brought, asked_for
from studylab import clock
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

Waiting = Literal["first", "changed", "brought", "lapsed", "lapses", "rules_changed"]


@dataclass(frozen=True, slots=True)
class QueueItem:
    """One person in the queue: the newest assessment, why a decision is due, and the next booked visit."""

    participant: Participant
    assessment: Assessment
    waiting: Waiting
    visit_at: datetime | None = None


def sign_off_queue(study: Study) -> list[QueueItem]:
    """Return who has everything on record and no decision that lasts until the dose.

    The nearest booked visit comes first, then who waits longest. Somebody of whom a physician asked for more
    comes back once everything is brought or something new is on record.
    """
    protocol = current_protocol(study)
    rules = (protocol.version.pk, table_of(protocol).hash)
    now = clock.now()
    brought = {pk for pk, several in asked_for(study).items() if all_brought(several)}
    short = {one.participant.pk for one in lapsing(study, now)}
    items = []
    past = _past_the_dose(study, protocol.plan.dosing_visit.number)
    for assessment in _decidable(study):
        if assessment.participant_id in past:
            continue
        waiting = _waiting(assessment, rules, now)
        if waiting is None and assessment.participant_id in brought:
            waiting = "brought"
        if waiting is None and assessment.participant_id in short:
            waiting = "lapses"
        if waiting:
            visit = assessment.visit.lower if assessment.visit else None
            items.append(QueueItem(assessment.participant, assessment, waiting, visit))
    last = datetime.max.replace(tzinfo=now.tzinfo)
    return sorted(items, key=lambda item: item.visit_at or last)


def findings_of(assessments: Iterable[Assessment]) -> dict[int, list[dict[str, Any]]]:
    """Return what the rules found, by the assessment's id: for those of the queue that a page shows."""
    shown = Assessment.objects.filter(pk__in=[one.pk for one in assessments])
    return dict(shown.values_list("pk", "findings"))


def next_in_queue(study: Study, after: Participant) -> Participant | None:
    """Return whose decision comes next once this person's is given; None when nobody waits."""
    waiting = [item.participant for item in sign_off_queue(study)]
    return next((person for person in waiting if person.pk != after.pk), None)


def _past_the_dose(study: Study, number: int) -> set[int]:
    """Return who has the dosing visit behind them and none to come: their sign-off has done its work."""
    active = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    dosing = active.filter(visits__number=number).values_list("pk", "visits__state")
    behind = {pk for pk, state in dosing if state == "done"}
    return behind - {pk for pk, state in dosing if state in ("booked", "running")}


def _decidable(study: Study) -> Any:
    """Return the newest assessment of every active volunteer if it can be decided, with the newest sign-off.

    What the rules found is not read: kilobytes for each.
    """
    newest = Assessment.objects.filter(
        participant=OuterRef("pk"), gate=Assessment.Gate.SCREENING
    ).order_by("-id")
    active = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    signed = SignOff.objects.filter(participant=OuterRef("participant")).order_by("-id")
    visits = Participant.objects.filter(
        pk=OuterRef("participant"), visits__state="booked"
    ).order_by("visits__planned")
    return (
        Assessment.objects.filter(
            pk__in=active.values_list(Subquery(newest.values("pk")[:1]), flat=True)
        )
        .exclude(outcome=Assessment.Outcome.CANNOT_DECIDE)
        .annotate(
            signed_assessment=Subquery(signed.values("assessment_id")[:1]),
            signed_decision=Subquery(signed.values("decision")[:1]),
            signed_until=Subquery(signed.values("valid_until")[:1]),
            visit=Subquery(visits.values("visits__planned")[:1]),
        )
        .select_related("participant")
        .defer("findings")
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
