"""What has to be reported about events and serious breaches, and what was."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Prefetch, Q

from studylab.participants.models import (
    AdverseEvent,
    Deviation,
    DeviationAssessment,
    EventEntry,
    SafetyReport,
)
from studylab.participants.models.deviation import BREACH_KINDS
from studylab.participants.rules.breach import Verdict, breach_knowledge
from studylab.participants.rules.report_clocks import Due, Knowledge, Sent, reports_due
from studylab.participants.selectors.events import knowledge_of, suspected
from studylab.studies.models import Study
from studylab.studies.rules.safety import SafetyPlan
from studylab.studies.selectors import current_protocol

STANDING = Prefetch("reports", SafetyReport.objects.order_by("id"))


@dataclass(frozen=True, slots=True)
class Owed:
    """One report about one event or one deviation. `what` names it without naming anybody."""

    subject: AdverseEvent | Deviation
    code: str
    what: str
    due: Due

    @property
    def is_event(self) -> bool:
        """Whether it is about an event."""
        return isinstance(self.subject, AdverseEvent)


def reports_of_event(
    event: AdverseEvent, entries: list[EventEntry], plan: SafetyPlan, at: datetime
) -> list[Due]:
    """Return what is due and what was sent about one event, the earliest deadline first."""
    return _due(event.reports.all(), knowledge_of(entries), suspected(entries[-1]), plan, at)


def reports_of_deviation(deviation: Deviation, plan: SafetyPlan, at: datetime) -> list[Due]:
    """Return what is due and what was sent about one deviation as a serious breach."""
    verdicts = [Verdict(one.breach, one.assessed_at) for one in assessments_of(deviation)]
    known: list[Knowledge] = []
    if deviation.state != Deviation.State.CLOSED or verdicts:
        known = breach_knowledge(
            asked=deviation.kind in BREACH_KINDS, answer=deviation.breach, verdicts=verdicts,
            aware_at=deviation.aware_at or deviation.recorded_at, counted=plan.breach_from,
        )  # fmt: skip
    reports = deviation.reports.all()
    if not known and reports:
        aware = deviation.aware_at or deviation.recorded_at
        known = [Knowledge(aware, frozenset(), True, False)]
    return _due(reports, known, False, plan, at)


def _due(
    reports: Iterable[SafetyReport],
    known: list[Knowledge],
    suspected: bool,
    plan: SafetyPlan,
    at: datetime,
) -> list[Due]:
    rows = list(reports)
    replaced = {one.supersedes_id for one in rows}
    sent = [
        Sent(one.rule, one.part, one.sent_at, one.receipt)  # type: ignore[arg-type]
        for one in rows
        if one.pk not in replaced
    ]
    zone = ZoneInfo(plan.zone)
    return reports_due(plan.reports, known, suspected=suspected, sent=sent, zone=zone, at=at)


def assessments_of(deviation: Deviation) -> list[DeviationAssessment]:
    """Return every assessment of a deviation, the newest last."""
    return sorted(deviation.assessments.all(), key=lambda one: one.pk)


def all_reports(study: Study, at: datetime) -> list[Owed]:
    """Return every report owed or made in a study, the earliest deadline first, in a fixed number of queries."""
    plan = current_protocol(study).plan.safety
    # What no entry ever called serious or always to be reported, no rule covers (`report_clocks`): most events.
    reportable = EventEntry.objects.filter(Q(criteria__len__gt=0) | Q(always_report=True))
    events = (
        AdverseEvent.objects.filter(
            Q(Exists(reportable.filter(event=OuterRef("pk"))))
            | Q(Exists(SafetyReport.objects.filter(event=OuterRef("pk")))),
            study=study,
        )
        .select_related("participant")
        .prefetch_related(Prefetch("entries", EventEntry.objects.order_by("id")), STANDING)
    )
    found = []
    for event in events:
        entries = list(event.entries.all())
        for due in reports_of_event(event, entries, plan, at):
            found.append(Owed(event, event.participant.code, entries[-1].term, due))
    deviations = (
        Deviation.objects.filter(study=study)
        .select_related("participant")
        .prefetch_related("assessments", STANDING)
    )
    for one in deviations:
        for due in reports_of_deviation(one, plan, at):
            code = one.participant.code if one.participant else ""
            found.append(Owed(one, code, one.get_kind_display(), due))
    return sorted(found, key=lambda owed: owed.due.due_by)


def owed_reports(study: Study, at: datetime) -> list[Owed]:
    """Return what is still to be sent, or whose receipt is still to be entered."""
    return [one for one in all_reports(study, at) if one.due.owed]
