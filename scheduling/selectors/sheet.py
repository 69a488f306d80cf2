"""The run sheet of a visit: its steps in order, what was recorded at each, and what comes next."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.http import Http404

from scheduling.models import Dose, StepRecord, Visit
from scheduling.rules.sheet import StepState, next_step, step_states
from scheduling.rules.step_values import said_value
from scheduling.rules.waits import WaitState
from scheduling.rules.work_up import Ladder, ladder_of
from scheduling.selectors.evidence import (
    Evidence,
    evidence_for,
    evidence_of,
    facts_of,
    has_left,
    leave_earliest,
    open_holds,
    protocol_of,
    wait_of,
)
from screening.models import AnswerSet, VitalSet
from studylab.allocation.selectors import open_levels
from studylab.audit.history import STANDS
from studylab.participants.models import Hold, Participant
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol, Step, VisitPlan
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class Carried:
    """A value found at an earlier step and kept: `words` as shown, for example "62 cm"."""

    step: Step
    visit_number: int
    record: StepRecord
    words: str


@dataclass(frozen=True, slots=True)
class SheetStep:
    """One row. `evidence` is the vital set, answer set or dose; `shown` a carried value or open level.

    `until` is the end of a timer that still runs, `words` what was recorded.
    """

    step: Step
    state: StepState
    record: StepRecord | None = None
    evidence: VitalSet | AnswerSet | Dose | None = None
    shown: str = ""
    words: str = ""
    until: datetime | None = None

    @property
    def done(self) -> bool:
        """Whether the step is done."""
        return self.state == "done"

    @property
    def ladder(self) -> Ladder | None:
        """How a work-up stands; None for every other kind of step."""
        if self.step.kind != "work_up":
            return None
        return ladder_of(self.step, self.record.value if self.record else None)

    @property
    def skipped(self) -> bool:
        """Whether the step was skipped with a reason."""
        return self.state == "skipped"


@dataclass(frozen=True, slots=True)
class Sheet:
    """A visit as its run sheet shows it. `wait` lasts until the check after the dose is done."""

    visit: Visit
    protocol: Protocol
    plan: VisitPlan
    steps: tuple[SheetStep, ...]
    next_step: Step | None
    dose: Dose | None
    wait: WaitState | None
    leave_earliest: datetime | None
    left: bool
    holds: tuple[Hold, ...]
    open_levels: dict[str, str]
    carried: dict[str, Carried]
    evidence: Evidence


def access_visit(study: Study, uid: UUID) -> Visit:
    """Return a visit of this study; 404 alike for no visit and another study's."""
    visit = (
        Visit.objects.select_related(
            "participant__study", "series__protocol_version", "started_by", "spacing_deviation"
        )
        .filter(uid=uid, participant__study=study)
        .first()
    )
    if visit is None:
        raise Http404("There is no such visit in this study.")
    return visit


def access_record(study: Study, client_id: UUID) -> StepRecord:
    """Return a step record of this study by the tablet's id of it, else 404."""
    record = (
        StepRecord.objects.select_related("visit__participant__study", "recorded_by")
        .filter(client_id=client_id, participant__study=study)
        .first()
    )
    if record is None:
        raise Http404("There is no such step in this study.")
    return record


def sheet_of(visit: Visit, at: datetime) -> Sheet:
    """Return the run sheet as it stands at an instant."""
    protocol = protocol_of(visit)
    plan = protocol.visit(visit.number)
    evidence = evidence_of([visit])[visit.pk]
    facts = facts_of(plan, evidence, at)
    states = step_states(plan, facts)
    participant = visit.participant
    levels = open_levels(participant)
    carried = carried_values(participant, protocol)
    shown = levels | {key: value.words for key, value in carried.items()}
    return Sheet(
        visit=visit,
        protocol=protocol,
        plan=plan,
        steps=tuple(
            SheetStep(
                step=step,
                state=states[step.key],
                record=(record := evidence.records.get(step.key)),
                evidence=evidence_for(step, evidence),
                shown=shown.get(step.shows, ""),
                words="" if record is None else said_value(step, record.value),
                until=facts[step.key].until,
            )
            for step in plan.steps
        ),
        next_step=next_step(plan, facts),
        dose=evidence.dose,
        wait=wait_of(protocol, plan, evidence, at),
        leave_earliest=leave_earliest(protocol, evidence.dose),
        left=has_left(plan, evidence),
        holds=tuple(open_holds(participant)),
        open_levels=levels,
        carried=carried,
        evidence=evidence,
    )


def carried_values(
    participant: Participant, protocol: Protocol | None = None
) -> dict[str, Carried]:
    """Return the values that are kept for later visits, by step key; the earliest visit's counts."""
    protocol = protocol or current_protocol(participant.study).plan
    carrying = {
        (plan.number, step.key): step
        for plan in protocol.visits
        for step in plan.steps
        if step.carry
    }
    if not carrying:
        return {}
    records = StepRecord.objects.filter(
        STANDS, participant=participant, skipped=False,
        step__in={key for _, key in carrying},
    )  # fmt: skip
    found: dict[str, Carried] = {}
    for record in records.select_related("visit").order_by("-visit__number", "-id"):
        step = carrying.get((record.visit.number, record.step))
        if step is not None and "value" in record.value:  # a work-up may end without a level
            words = said_value(step, record.value)
            found[record.step] = Carried(step, record.visit.number, record, words)
    return found
