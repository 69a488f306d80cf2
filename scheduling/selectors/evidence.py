"""What stands on record of a visit, and what the run sheet and the dose gate conclude from it."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from scheduling.models import Dose, StepRecord, Visit
from scheduling.rules.elapsed import add_elapsed
from scheduling.rules.sheet import StepFact
from scheduling.rules.step_values import timer_end
from scheduling.rules.waits import WaitState, wait_state
from scheduling.rules.work_up import is_over
from screening.models import AnswerSet, VitalSet
from studylab.audit.history import STANDS
from studylab.participants.models import Hold, Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol, Step, VisitPlan
from studylab.studies.selectors import current_protocol, plan_of


@dataclass(frozen=True, slots=True)
class Evidence:
    """What stands on record of one visit: step records by step, newest vital sets by gate."""

    records: dict[str, StepRecord] = field(default_factory=dict)
    vitals: dict[str, VitalSet] = field(default_factory=dict)
    answers: AnswerSet | None = None
    dose: Dose | None = None


def protocol_of(visit: Visit) -> Protocol:
    """Return what ruled when the visit began; before that, what rules now."""
    return protocols_of([visit])[visit.pk]


def protocols_of(visits: Sequence[Visit]) -> dict[int, Protocol]:
    """Return `protocol_of` for several visits of one study."""
    if not visits:
        return {}
    study = visits[0].participant.study
    current = current_protocol(study)
    confirmed = list(
        ProtocolVersion.objects.filter(study=study, confirmed_at__isnull=False).order_by("-number")
    )
    found = {}
    for visit in visits:
        version = current.version
        if visit.started_at is not None:
            ruled = (v for v in confirmed if v.confirmed_at and v.confirmed_at <= visit.started_at)
            version = next(ruled, version)
        plan = plan_of(version)
        if all(row.number != visit.number for row in plan.visits):
            plan = plan_of(visit.series.protocol_version)  # a newer version has fewer visits
        found[visit.pk] = plan
    return found


def evidence_of(visits: Iterable[Visit]) -> dict[int, Evidence]:
    """Return what stands on record for each visit, by id, in a constant number of queries."""
    visits = list(visits)
    by_uid = {visit.uid: visit.pk for visit in visits}
    records: dict[int, dict[str, StepRecord]] = defaultdict(dict)
    vitals: dict[int, dict[str, VitalSet]] = defaultdict(dict)
    standing = StepRecord.objects.filter(STANDS, visit__in=visits)
    for record in standing.select_related("recorded_by", "deviation").order_by("id"):
        records[record.visit_id][record.step] = record
    sets = VitalSet.objects.filter(STANDS, visit_uid__in=by_uid).order_by("id")
    for vital_set in sets:
        assert vital_set.visit_uid is not None
        vitals[by_uid[vital_set.visit_uid]][vital_set.gate] = vital_set
    asked = AnswerSet.objects.filter(STANDS, visit_uid__in=by_uid, when=AnswerSet.When.DOSING_DAY)
    answers = {by_uid[found.visit_uid]: found for found in asked.order_by("id") if found.visit_uid}
    given = Dose.objects.filter(STANDS, visit__in=visits)
    doses = {dose.visit_id: dose for dose in given.select_related("given_by", "checked_by", "kit")}
    return {
        visit.pk: Evidence(
            records[visit.pk], vitals[visit.pk], answers.get(visit.pk), doses.get(visit.pk)
        )
        for visit in visits
    }


def facts_of(plan: VisitPlan, evidence: Evidence, at: datetime) -> dict[str, StepFact]:
    """Return what is known of every step. A set that decided nothing, or asks to be repeated, is not done."""
    return {step.key: _fact(step, evidence, at) for step in plan.steps}


def _fact(step: Step, evidence: Evidence, at: datetime) -> StepFact:
    record = evidence.records.get(step.key)
    if measured(step, evidence):
        return StepFact(done=True)
    if record is None:
        return StepFact()
    if record.skipped:
        return StepFact(skipped=True)
    if step.kind == "work_up" and not is_over(record.value):
        return StepFact()
    end = timer_end(step, record.value)
    if end is not None and end > at:
        return StepFact(until=end)
    return StepFact(done=True)


def measured(step: Step, evidence: Evidence) -> bool:
    if step.kind == "vitals":
        vital_set = evidence.vitals.get(step.gate or "")
        return (
            vital_set is not None
            and vital_set.systolic is not None
            and vital_set.verdict != "repeat"
        )
    return evidence_for(step, evidence) is not None


def evidence_for(step: Step, evidence: Evidence) -> VitalSet | AnswerSet | Dose | None:
    if step.kind == "vitals":
        return evidence.vitals.get(step.gate or "")
    return {"questions": evidence.answers, "dose": evidence.dose}.get(step.kind)


def wait_of(
    protocol: Protocol, plan: VisitPlan, evidence: Evidence, at: datetime
) -> WaitState | None:
    """Return the wait after the dose, counted from the dose as it stands on record now.

    None before a dose, once the check after the wait is decided, and when the person has left.
    """
    dose, wait = evidence.dose, protocol.dose_wait
    if dose is None or has_left(plan, evidence):
        return None
    if measured(plan.step(wait.before), evidence):
        return None
    return wait_state(dose.given_at, replace(wait, length=dose.wait), at)


def has_left(plan: VisitPlan, evidence: Evidence) -> bool:
    """Whether the leave step is on record: fit to leave, handed over, or against advice."""
    return any(step.key in evidence.records for step in plan.steps if step.kind == "leave")


def leave_earliest(protocol: Protocol, dose: Dose | None) -> datetime | None:
    """Return the earliest instant at which somebody who was dosed may leave."""
    if dose is None:
        return None
    return add_elapsed(dose.given_at, timedelta(minutes=protocol.limits.leave.earliest_minutes))


def open_holds(participant: Participant) -> list[Hold]:
    """Return the holds that nobody released, oldest first."""
    holds = Hold.objects.filter(participant=participant, released_at=None)
    return list(holds.select_related("opened_by").order_by("opened_at", "id"))


def actual_anchors(visit: Visit, protocol: Protocol) -> Mapping[str, datetime | None]:
    """Return when the moments of the series that have happened did happen; the rest is left out."""
    rows = list(Visit.objects.filter(series_id=visit.series_id))
    doses = {dose.visit_id: dose.given_at for dose in Dose.objects.filter(STANDS, visit__in=rows)}
    keys = {plan.number: plan.key for plan in protocol.visits}
    anchors: dict[str, datetime | None] = {}
    for row in rows:
        if row.number not in keys:
            continue
        happened = {"start": row.started_at, "end": row.ended_at, "dose": doses.get(row.pk)}
        anchors |= {f"{keys[row.number]}.{moment}": when for moment, when in happened.items()}
    return anchors
