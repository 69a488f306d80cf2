"""Recording checks besides the readings, reading an ECG, and the moments that the server's clock takes."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from screening.models import Assessment, Check, EcgReading, Timing, VitalSet
from screening.models.timing import ENTRIES
from screening.rules.checks import CONCLUSIONS, NAMES, CheckResult, judge_check
from screening.selectors.checks import result_of, standing_checks
from screening.selectors.measurers import may_measure
from screening.services.assessment import refresh
from screening.services.check_values import checked_values
from screening.services.checks import check_visit
from screening.services.outsiders import check_measurer
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Hold, Participant
from studylab.participants.services import hold_open
from studylab.participants.services.checks import lock_participant, require_active
from studylab.studies.rules.protocol import CheckKind
from studylab.studies.selectors import current_protocol

_BEFORE_THE_DOSE = (VitalSet.Gate.SCREENING, VitalSet.Gate.PRE_DOSE)


@dataclass(frozen=True, slots=True)
class Where:
    """The gate and visit that a check or a timing belongs to."""

    gate: str
    visit_uid: UUID | None = None


@service
def timing_start(*, participant: Participant, kind: str, where: Where, actor: Actor) -> Timing:
    """Record that a rest began, or that somebody stood up, now by the server's clock."""
    require(actor, Cap.VITALS_RECORD)
    participant = lock_participant(participant, actor)
    check_where(participant, where)
    check_measurer(participant, where.gate, actor)
    return Timing.objects.create(
        participant=participant, kind=Timing.Kind(kind), gate=where.gate, visit_uid=where.visit_uid,
        at=clock.now(), by_id=actor.user_id,
    )  # fmt: skip


@service
def check_record(
    *,
    participant: Participant,
    kind: CheckKind,
    where: Where,
    values: Mapping[str, Any],
    taken_at: datetime,
    device: str,
    entry: str = "typed",
    measured_by: int | None = None,
    supersedes: Check | None = None,
    reason: str = "",
    actor: Actor,
) -> Check:
    """Record one check and what the rules make of it; another one of the same kind needs a `reason`.

    `values` are those of `screening.rules.checks.judge_check`. What fails before a dose puts the person on hold.
    """
    require(actor, Cap.VITALS_RECORD)
    participant = lock_participant(participant, actor)
    check_where(participant, where)
    check_measurer(participant, where.gate, actor, measured_by)
    _check_further(participant, kind, where, supersedes, reason)
    now = clock.now()
    if taken_at > now:
        raise Refused("This is later than now. Check time and day.", field="taken_at")
    if entry not in dict(ENTRIES):
        raise Refused("Say how the value came here.", field="entry")
    if measured_by is not None and not may_measure(participant, measured_by):
        raise Refused("This person does not measure in this study.", field="measured_by")
    limits = current_protocol(participant.study).plan.limits
    kept = checked_values(kind, values, taken_at)
    result = judge_check(kind, kept, limits, taken_at)
    check = Check.objects.create(
        participant=participant, kind=kind, gate=where.gate, visit_uid=where.visit_uid, values=kept,
        outcome=result.outcome, said=result.said[:300], device=device.strip()[:60], entry=entry,
        taken_at=taken_at, recorded_at=now, recorded_by_id=actor.user_id,
        measured_by_id=measured_by or actor.user_id, supersedes=supersedes, reason=reason.strip(),
    )  # fmt: skip
    _note(check, Action.CHECK_CORRECTED if supersedes else Action.CHECK_RECORDED, result, actor)
    _follow_up(check, result, actor)
    return check


@service
def ecg_read(*, check: Check, conclusion: str, note: str, actor: Actor) -> EcgReading:
    """Record what a clinician reads in an ECG. Raises Conflict when it was read or corrected already."""
    require(actor, Cap.SIGN_OFF)
    participant = lock_participant(check.participant, actor)
    if check.kind != Check.Kind.ECG or actor.user_id is None:
        raise Refused("Only an ECG is read, and only by a clinician.")
    if conclusion not in CONCLUSIONS:
        raise Refused("Choose what the ECG shows.", field="conclusion")
    if conclusion != "normal" and not note.strip():
        raise Refused("Say what the ECG shows.", field="note")
    if Check.objects.filter(supersedes=check).exists():
        raise Conflict("This ECG was corrected meanwhile. Look at the newest one.")
    reading = EcgReading.objects.create(
        check_row=check, conclusion=conclusion, note=note.strip()[:1000], read_at=clock.now(),
        read_by_id=actor.user_id,
    )  # fmt: skip
    fresh = Check.objects.select_related("reading", "participant__study").get(pk=check.pk)
    result = result_of(fresh, current_protocol(participant.study).plan.limits)
    _note(fresh, Action.ECG_READ, result, actor)
    _follow_up(fresh, result, actor)
    return reading


def check_where(participant: Participant, where: Where) -> None:
    """Refuse a place where nothing is measured for this person: left, no visit, or somebody else's."""
    gate = VitalSet.Gate(where.gate)
    if gate in _BEFORE_THE_DOSE:
        require_active(participant)
    if gate != VitalSet.Gate.SCREENING and where.visit_uid is None:
        raise Refused("What is measured on the dosing day belongs to a visit.")
    check_visit(participant, where.visit_uid)


def _check_further(
    participant: Participant, kind: CheckKind, where: Where, supersedes: Check | None, reason: str
) -> None:
    newest = standing_checks(participant, where.gate, where.visit_uid).filter(kind=kind).last()
    if supersedes is not None:
        if newest is None or newest.pk != supersedes.pk:
            raise Conflict(
                "This check was corrected or followed by another. Look at the newest one."
            )
        if not reason.strip():
            raise Refused("Say why the check is corrected.", field="reason")
    elif newest is not None and not reason.strip():
        raise Refused(
            f"{NAMES[kind]} is on record already. Say why it is done again.", field="reason"
        )


def _note(check: Check, action: Action, result: CheckResult, actor: Actor) -> None:
    audit(
        actor=actor,
        action=action,
        subject_type="check",
        subject_code=check.uid,
        participant_code=check.participant.code,
        reason=check.reason,
        data={"kind": check.kind, "gate": check.gate, "outcome": result.outcome},
    )


def _follow_up(check: Check, result: CheckResult, actor: Actor) -> None:
    """Assess anew at screening; before the dose, hold on what fails, but a meal can simply be eaten."""
    participant = check.participant
    if check.gate == VitalSet.Gate.SCREENING:
        screening = Assessment.Gate.SCREENING
        refresh(participant=participant, gate=screening, visit_uid=None, actor=actor)
    elif (
        check.gate == VitalSet.Gate.PRE_DOSE
        and check.kind != Check.Kind.MEAL
        and result.outcome in ("physician", "hold", "exclude")
    ):
        hold_open(
            participant=participant, kind=Hold.Kind.VITALS,
            reason=f"{NAMES[result.kind]} before the dose: {' '.join(result.reasons)}", actor=actor,
        )  # fmt: skip
