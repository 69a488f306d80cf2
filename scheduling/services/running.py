"""What the services of the run sheet share. Called inside their transactions, never alone."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from scheduling.models import Dose, Series, StepRecord, Visit
from scheduling.rules.sheet import StepFact
from scheduling.rules.tablet_time import TabletTime
from scheduling.selectors.evidence import Evidence, evidence_of, facts_of, protocol_of
from scheduling.selectors.today import contact_done
from screening.services.outsiders import is_outsider
from studylab import clock
from studylab.access import Actor, Cap, system_actor
from studylab.allocation.selectors import SOMEBODY_ELSE
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import lock
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Deviation, Participant
from studylab.participants.services import (
    deviation_explain,
    deviation_found,
    participant_complete,
)
from studylab.participants.services.checks import lock_participant, said
from studylab.studies.rules.protocol import Protocol, Step, VisitPlan
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class Work:
    """A visit locked for writing, with all that its run sheet says at `now`."""

    visit: Visit
    protocol: Protocol
    plan: VisitPlan
    evidence: Evidence
    facts: dict[str, StepFact]
    now: datetime

    @property
    def participant(self) -> Participant:
        """Whose visit it is, locked too."""
        return self.visit.participant

    def step(self, key: str) -> Step:
        """Return a step of the visit; Refused when it has none of that name."""
        try:
            return self.plan.step(key)
        except KeyError:
            raise Refused(
                "This visit has no such step. Reload the run sheet.", field="step_key"
            ) from None

    def step_of_kind(self, kind: str) -> Step:
        """Return the first step of a kind; Refused when the visit has none."""
        for step in self.plan.steps:
            if step.kind == kind:
                return step
        raise Refused(f"No {kind} step belongs to this visit.")


def lock_visit(visit: Visit, actor: Actor) -> Visit:
    """Return the visit fresh, the volunteer and it locked in this order; NotAllowed for another study's."""
    person = lock_participant(visit.participant, actor)
    row: Visit = lock(Visit, pk=visit.pk)
    row.participant = person
    return row


def work_on(visit: Visit, actor: Actor) -> Work:
    """Return the locked visit with its run sheet as it stands now."""
    row = lock_visit(visit, actor)
    now, protocol = clock.now(), protocol_of(row)
    plan = protocol.visit(row.number)
    evidence = evidence_of([row])[row.pk]
    return Work(row, protocol, plan, evidence, facts_of(plan, evidence, now), now)


def require_running(visit: Visit) -> None:
    """Raise Conflict unless the visit is under way."""
    if visit.state != Visit.State.RUNNING:
        raise Conflict(
            f"Visit {visit.number} is {visit.get_state_display()}, not under way. Nothing was recorded."
        )


def check_blinded(work: Work, actor: Actor) -> None:
    """Refuse whoever must not take part in this volunteer's session, in the same words whatever the reason.

    Who is kept away for a relation, and who may know the arm, look alike, so that the words tell nothing.
    """
    if is_outsider(work.participant, actor.user_id):
        raise NotAllowed(SOMEBODY_ELSE, code="somebody_else")


def user_of(actor: Actor) -> int:
    """Return the id of the person who acts; the house itself runs no visit."""
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    return actor.user_id


def reason_of(text: str, *, ask: str, field: str = "reason") -> str:
    """Return a reason that was given, of at most 300 characters; Refused at `field` when it is empty."""
    return said(text, field=field, ask=ask, most=300)


def check_instant(at: datetime, work: Work, *, field: str = "occurred_at") -> None:
    """Refuse an instant that lies in the future or before the visit, to the minute as forms give it."""
    if at.utcoffset() is None:
        raise Refused("The time has no zone. Reload the page and enter it again.", field=field)
    if at > work.now:
        raise Refused("This is later than now. Check the time.", field=field)
    started = work.visit.started_at
    if started is None or at < started.replace(second=0, microsecond=0):
        raise Refused("This is before the visit began. Check the time.", field=field)


def note_deviation(
    *,
    visit: Visit,
    kind: Deviation.Kind,
    what: str,
    actor: Actor,
    at: datetime,
    subject: str = "",
    reason: str = "",
) -> Deviation:
    """Write a deviation about a visit; a reason given at once explains it, and a second person closes it."""
    deviation = deviation_found(
        study=visit.participant.study,
        participant=visit.participant,
        kind=kind,
        what=what,
        subject=f"visit {visit.number}{subject and ', ' + subject}",
        occurred_at=at,
        actor=actor,
    )
    if reason:
        deviation = deviation_explain(deviation=deviation, explanation=reason, actor=actor)
    return deviation


def write_record(
    *,
    work: Work,
    step: Step,
    value: dict[str, Any],
    occurred_at: datetime,
    actor: Actor,
    client_id: UUID | None = None,
    content: str = "",
    device_at: datetime | None = None,
    tablet: TabletTime | None = None,
    deviation: Deviation | None = None,
    skipped: bool = False,
    supersedes: StepRecord | None = None,
    goes_on: bool = False,
    reason: str = "",
) -> StepRecord:
    """Write one record of a step and its line on the trail, which names the step and never the value.

    With `goes_on` it continues the record that it supersedes and corrects nothing. `tablet` are the times of an act
    that was kept without network.
    """
    record = StepRecord.objects.create(
        visit=work.visit,
        participant=work.participant,
        step=step.key,
        value=value,
        skipped=skipped,
        occurred_at=occurred_at,
        recorded_at=work.now,
        recorded_by_id=user_of(actor),
        client_id=client_id or uuid4(),
        content=content,
        device=actor.device,
        device_at=tablet.device_at if tablet else device_at,
        sent_at=tablet.sent_at if tablet else None,
        device_offset=tablet.offset if tablet else None,
        time_uncertain=bool(tablet and tablet.uncertain),
        deviation=deviation,
        supersedes=supersedes,
        reason=reason,
    )
    audit(
        actor=actor,
        action=Action.STEP_CORRECTED if supersedes and not goes_on else Action.STEP_RECORDED,
        subject_type="visit",
        subject_code=work.visit.uid,
        participant_code=work.participant.code,
        reason=reason,
        data={
            "visit": work.visit.number,
            "step": step.key,
            "skipped": skipped,
            "occurred_at": occurred_at.isoformat(),
            "deviation": str(deviation.uid) if deviation else None,
        },
    )
    return record


def visit_ended(
    work: Work, state: Visit.State, actor: Actor, *, reason: str = "", by_volunteer: bool = False
) -> Visit:
    """Write the end of a visit, and of its series when nothing of it is left."""
    visit = work.visit
    before, visit.state, visit.ended_at = visit.state, state, work.now
    visit.ended_by_volunteer = by_volunteer
    visit.save(update_fields=["state", "ended_at", "ended_by_volunteer"])
    audit(
        actor=actor,
        action=Action.VISIT_STATE_CHANGED,
        subject_type="visit",
        subject_code=visit.uid,
        participant_code=work.participant.code,
        reason=reason,
        data={
            "number": visit.number,
            "before": before,
            "after": state.value,
            **({"by_volunteer": True} if by_volunteer else {}),
        },
    )
    series: Series = lock(Series, pk=visit.series_id)
    left = series.visits.filter(state__in=[Visit.State.BOOKED, Visit.State.RUNNING]).exists()
    if series.state == Series.State.OPEN and not left and visit.number == _last(work.protocol):
        series.state, series.ended_at = Series.State.DONE, work.now
        series.save(update_fields=["state", "ended_at"])
    return visit


def complete_if_over(participant: Participant, actor: Actor) -> bool:
    """Record the volunteer as completed once the last visit is done and the contact after the dose made.

    Who makes the last contact need not run visits: then the house itself notes the completion.
    """
    protocol = current_protocol(participant.study).plan
    done = Visit.objects.filter(
        participant=participant, number=_last(protocol), state=Visit.State.DONE
    ).exists()
    dose = Dose.objects.filter(STANDS, participant=participant).first()
    if not participant.is_active or not done or dose is None:
        return False
    if not contact_done(dose, protocol.follow_up):
        return False
    who = actor if actor.may(Cap.VISIT_RUN) else system_actor("completion")
    participant_complete(participant=participant, actor=who)
    return True


def _last(protocol: Protocol) -> int:
    return max(plan.number for plan in protocol.visits)
