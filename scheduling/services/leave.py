"""Leaving after a dose: fit to leave, against advice, or handed over to somebody else's care."""

from collections.abc import Iterator
from datetime import timedelta

from scheduling.models import StepRecord, Visit
from scheduling.rules.elapsed import elapsed
from scheduling.rules.sheet import open_before, open_sentence
from scheduling.selectors.evidence import has_left, open_holds
from scheduling.services.running import (
    Work,
    note_deviation,
    reason_of,
    require_running,
    visit_ended,
    work_on,
    write_record,
)
from screening.models import VitalSet
from screening.rules.after_dose import LeaveReason, LeaveResult, hours_and_minutes, judge_leave
from screening.rules.vitals import VitalDecision
from screening.selectors import (
    decision_of,
    newest_vitals,
    personal_limits,
    sign_off_state,
    standing_test_ok,
)
from studylab.access import Actor, Cap, require
from studylab.allocation.selectors.emergencies import emergency_beside
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation, Hold
from studylab.participants.services import hold_open
from studylab.studies.rules.protocol import Step
from studylab.studies.selectors import current_protocol

READINGS_VALID = timedelta(minutes=60)  # how old the leave readings may be at the check (proposal)


class NotFit(RefusedWithReasons):
    """Not fit to leave: every reason, their `codes`, and whether a red flag is among them."""

    def __init__(self, message: str, reasons: list[LeaveReason], *, emergency: bool) -> None:
        super().__init__(message, [reason.text for reason in reasons], code="not_fit")
        self.codes = tuple(reason.code for reason in reasons)
        self.emergency = emergency


def leave_check(
    *,
    visit: Visit,
    ate: bool | None,
    orthostatic_ok: bool | None,
    symptoms: list[str] | None,
    actor: Actor,
) -> StepRecord:
    """Record that the volunteer is fit to leave, or refuse with every reason; None means "not asked".

    A refusal stays on the trail, and a red flag opens a hold, whatever follows. Asked again after it was
    recorded, the first record is returned.
    """
    require(actor, Cap.VISIT_RUN)
    try:
        return _leave_check(
            visit=visit, ate=ate, orthostatic_ok=orthostatic_ok, symptoms=symptoms, actor=actor
        )
    except NotFit as refusal:
        _note_refusal(visit=visit, refusal=refusal, actor=actor)
        raise


@service
def _leave_check(
    *,
    visit: Visit,
    ate: bool | None,
    orthostatic_ok: bool | None,
    symptoms: list[str] | None,
    actor: Actor,
) -> StepRecord:
    work = work_on(visit, actor)
    step = work.step_of_kind("leave")
    standing = work.evidence.records.get(step.key)
    if standing is not None:
        return standing
    require_running(work.visit)
    vital_set = newest_vitals(work.participant, VitalSet.Gate.LEAVE, work.visit.uid)
    told = _all_symptoms(vital_set, symptoms)
    result = _judge(work, vital_set, told, ate, orthostatic_ok)
    reasons = [*result.reasons, *_sheet_reasons(work, step, vital_set, actor)]
    if reasons:
        raise NotFit(_message(work, result), reasons, emergency=result.emergency)
    assert vital_set is not None, "fit without readings cannot be"
    return write_record(
        work=work, step=step, occurred_at=work.now, actor=actor,
        value={
            "fit": True, "ate": ate, "orthostatic_ok": orthostatic_ok, "symptoms": sorted(told or ()),
            "vital_set": str(vital_set.uid),
        },
    )  # fmt: skip


def _all_symptoms(vital_set: VitalSet | None, asked: list[str] | None) -> frozenset[str] | None:
    """Return what was told now and with the readings; None when nobody asked now."""
    if asked is None:
        return None
    return frozenset(asked) | frozenset(vital_set.symptoms if vital_set else ())


def _judge(
    work: Work,
    vital_set: VitalSet | None,
    symptoms: frozenset[str] | None,
    ate: bool | None,
    orthostatic_ok: bool | None,
) -> LeaveResult:
    limits = current_protocol(work.participant.study).plan.limits
    if "standing_test" in limits.checks.leave:  # a word about it does not replace the readings
        told = orthostatic_ok
        orthostatic_ok = standing_test_ok(work.participant, work.visit.uid, limits)
        orthostatic_ok = False if told is False else orthostatic_ok
    before = decision_of(newest_vitals(work.participant, VitalSet.Gate.SCREENING))
    dose = work.evidence.dose
    minutes = elapsed(dose.given_at, work.now) / timedelta(minutes=1) if dose else None
    return judge_leave(
        decision_of(vital_set),
        before if isinstance(before, VitalDecision) else None,
        minutes,
        symptoms,
        ate,
        orthostatic_ok,
        limits.leave,
        floor_systolic=limits.floor_systolic,
        personal=personal_limits(sign_off_state(work.participant, work.now)),
    )


def _sheet_reasons(
    work: Work, step: Step, vital_set: VitalSet | None, actor: Actor
) -> Iterator[LeaveReason]:
    """What stands in the way besides the rules: readings too early or too old, holds, open steps."""
    dose = work.evidence.dose
    earliest = work.protocol.limits.leave.earliest_minutes
    if vital_set is not None and dose is not None:
        after = elapsed(dose.given_at, vital_set.taken_at) / timedelta(minutes=1)
        if after < earliest:
            yield LeaveReason(
                "vitals_early",
                f"The leave readings were taken {hours_and_minutes(max(after, 0))} after the dose; the earliest "
                f"is {hours_and_minutes(earliest)}. Take a new set.",
            )
        if work.now - vital_set.taken_at > READINGS_VALID:
            yield LeaveReason(
                "vitals_old", "The leave readings are over an hour old. Take a new set."
            )
    if emergency_beside(work.participant, work.now) and not actor.may(Cap.SIGN_OFF):
        yield LeaveReason(
            "emergency_beside",
            "There is an emergency in this study. Until it is over a clinician looks at everybody before they "
            "leave, and records the leave check.",
        )
    for hold in open_holds(work.participant):
        yield LeaveReason(
            "hold_open", f"Open hold: {hold.reason} The physician decides on it first."
        )
    for one in open_before(work.plan, step.key, work.facts):
        if one.gate != VitalSet.Gate.LEAVE:  # the rules speak about those readings themselves
            yield LeaveReason("step_open", open_sentence(one, work.facts))


def _message(work: Work, result: LeaveResult) -> str:
    if result.emergency:
        return "Not fit to leave. Emergency: call the physician and the emergency number now."
    if result.too_late:
        hours = work.protocol.limits.leave.not_fit_after_minutes / 60
        return (
            f"Not fit to leave {hours:g} hours after the dose: the physician arranges a transfer or a night "
            "under watch."
        )
    return "Not fit to leave yet. The volunteer stays in sight of staff."


@service
def _note_refusal(*, visit: Visit, refusal: NotFit, actor: Actor) -> None:
    audit(
        actor=actor,
        action=Action.LEAVE_REFUSED,
        subject_type="visit",
        subject_code=visit.uid,
        participant_code=visit.participant.code,
        data={"reasons": list(refusal.codes), "emergency": refusal.emergency},
    )
    known = Hold.objects.filter(
        participant=visit.participant, kind=Hold.Kind.SYMPTOM, released_at=None
    ).exists()
    if refusal.emergency and not known:
        hold_open(
            participant=visit.participant, kind=Hold.Kind.SYMPTOM, actor=actor,
            reason=f"Red flag at the leave check. {' '.join(refusal.reasons)}",
        )  # fmt: skip


@service
def leave_against_advice(*, visit: Visit, reason: str, actor: Actor) -> StepRecord:
    """Record that a dosed volunteer left before being found fit: deviation, hold, visit stopped."""
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    require_running(work.visit)
    why = reason_of(reason, ask="Say how it came about and what the volunteer was told.")
    record = _left_unfit(
        work, {"fit": False, "against_advice": True}, "left against advice", why, actor
    )
    visit_ended(work, Visit.State.STOPPED, actor, reason=why, by_volunteer=True)
    return record


def handed_over(*, work: Work, to: str, reason: str, actor: Actor) -> StepRecord:
    """Record that somebody else took a dosed volunteer over. Part of stopping the visit."""
    if not to.strip():
        raise Refused(
            "A dose was given. Record the leave check or leaving against advice, or say who took the "
            "volunteer over, for example which hospital.",
            field="handed_to",
            code="not_left",
        )
    who = reason_of(to, ask="Say who took the volunteer over.", field="handed_to")
    value = {"fit": False, "handed_to": who}
    return _left_unfit(work, value, f"was handed over to {who}", reason, actor)


def _left_unfit(
    work: Work, value: dict[str, object], how: str, reason: str, actor: Actor
) -> StepRecord:
    dose = work.evidence.dose
    if dose is None:
        raise Refused("No dose was given at this visit. Stop the visit instead.")
    if has_left(work.plan, work.evidence):
        raise Conflict("Leaving is on record already.")
    after = hours_and_minutes(elapsed(dose.given_at, work.now) / timedelta(minutes=1))
    what = f"The volunteer {how}, {after} after the dose, without being found fit to leave."
    deviation = note_deviation(
        visit=work.visit, kind=Deviation.Kind.LEAVE, what=what, at=work.now, actor=actor,
        subject="step leave", reason=reason,
    )  # fmt: skip
    hold_open(
        participant=work.participant, kind=Hold.Kind.OTHER, reason=f"{what} {reason}", actor=actor
    )
    return write_record(
        work=work, step=work.step_of_kind("leave"), value=value, occurred_at=work.now, actor=actor,
        deviation=deviation, reason=reason,
    )  # fmt: skip
