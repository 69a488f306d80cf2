"""Recording vital sets, what they decide, and the holds that follow."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from screening.models import Assessment, VitalReading, VitalSet
from screening.rules.after_dose import RED_FLAGS, symptom_words
from screening.rules.vitals import (
    Reading,
    Undecided,
    VitalDecision,
    VitalProblem,
    decide,
)
from screening.selectors.sign_off import personal_limits, sign_off_state
from screening.selectors.vitals import (
    bands_for,
    decision_of,
    newest_vitals,
    standing_sets,
)
from screening.services.assessment import refresh
from screening.services.checks import check_visit
from screening.services.readings import Taken, checked_readings
from screening.services.verdicts import (
    REPEAT_AFTER_SECONDS,
    Verdict,
    post_dose_verdict,
    pre_dose_verdict,
    screening_verdict,
)
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.services import hold_open
from studylab.participants.services.checks import lock_participant, require_active
from studylab.studies.rules.protocol import Limits
from studylab.studies.selectors import current_protocol

_BEFORE_THE_DOSE = frozenset({VitalSet.Gate.SCREENING, VitalSet.Gate.PRE_DOSE})


@dataclass(frozen=True, slots=True)
class _Sitting:
    """Where a set belongs: whose, at which gate and visit, the repeat of what, instead of what."""

    participant: Participant
    gate: VitalSet.Gate
    visit_uid: UUID | None
    repeat_of: VitalSet | None
    supersedes: VitalSet | None


@service
def vitals_record(
    *,
    participant: Participant,
    gate: str,
    visit_uid: UUID | None,
    rest_seconds: int | None,
    arm: str,
    cuff: str,
    device: str,
    readings: Sequence[Reading],
    symptoms: list[str],
    posture: str = "",
    repeat_of: VitalSet | None = None,
    deviation: Deviation | None = None,
    supersedes: VitalSet | None = None,
    reason: str = "",
    actor: Actor,
) -> VitalSet:
    """Record one set of readings, its unrounded decision or why there is none, and the verdict.

    Readings are whole mmHg and beats per minute with the instants they were taken, in that order. The
    repeat of a set is recognised: after a verdict "repeat" the next set of that gate and visit is it.
    """
    require(actor, Cap.VITALS_RECORD)
    participant = lock_participant(participant, actor)
    sitting = _sitting(participant, gate, visit_uid, repeat_of, supersedes, reason)
    if deviation is not None and deviation.participant_id != participant.pk:
        raise Refused("This deviation is about somebody else.")
    now = clock.now()
    taken = checked_readings(readings, arm, now)
    limits = current_protocol(participant.study).plan.limits
    decision = _decide(sitting, readings, taken[0].at, rest_seconds, posture, limits)
    verdict = _judge(sitting, decision, frozenset(symptoms), limits, now)
    how = {
        "arm": arm, "cuff": cuff.strip()[:40], "device": device.strip()[:60], "posture": posture,
        "symptoms": sorted(set(symptoms)), "rest_seconds": rest_seconds, "reason": reason.strip(),
        "deviation": deviation, "recorded_at": now, "recorded_by_id": actor.user_id,
    }  # fmt: skip
    vital_set = _store(sitting, taken, decision, verdict, how)
    _note(vital_set, verdict, actor)
    if verdict.hold:
        _hold(vital_set, verdict, actor)
    if sitting.gate == VitalSet.Gate.SCREENING:
        screening = Assessment.Gate.SCREENING
        refresh(participant=participant, gate=screening, visit_uid=None, actor=actor)
    return vital_set


def _store(
    sitting: _Sitting,
    taken: Sequence[Taken],
    decision: VitalDecision | Undecided,
    verdict: Verdict,
    how: dict[str, Any],
) -> VitalSet:
    vital_set = VitalSet.objects.create(
        participant=sitting.participant,
        gate=sitting.gate,
        visit_uid=sitting.visit_uid,
        repeat_of=sitting.repeat_of,
        supersedes=sitting.supersedes,
        taken_at=taken[0].at,
        verdict=verdict.word,
        **_decided_fields(decision),
        **how,
    )
    VitalReading.objects.bulk_create(
        VitalReading(set=vital_set, index=number, **asdict(reading))
        for number, reading in enumerate(taken, start=1)
    )
    return vital_set


def _sitting(
    participant: Participant,
    gate: str,
    visit_uid: UUID | None,
    repeat_of: VitalSet | None,
    supersedes: VitalSet | None,
    reason: str,
) -> _Sitting:
    known = VitalSet.Gate(gate)
    if known in _BEFORE_THE_DOSE:
        require_active(participant)  # after a dose people are looked after whatever their status
    if known != VitalSet.Gate.SCREENING and visit_uid is None:
        raise Refused("Readings of the dosing day belong to a visit.")
    check_visit(participant, visit_uid)
    newest = newest_vitals(participant, known, visit_uid)
    if supersedes is not None:
        if newest is None or supersedes.pk != newest.pk:
            raise Conflict("This set was corrected or followed by another. Look at the newest one.")
        if not reason.strip():
            raise Refused("Say why the set is corrected.", field="reason")
        repeat_of = supersedes.repeat_of
    elif repeat_of is None and newest is not None and newest.verdict == "repeat":
        repeat_of = newest
    if repeat_of is not None and (repeat_of.participant_id, repeat_of.gate) != (
        participant.pk,
        known,
    ):
        raise Refused("A set repeats an earlier one of the same person at the same gate.")
    return _Sitting(participant, known, visit_uid, repeat_of, supersedes)


def _decide(
    sitting: _Sitting,
    readings: Sequence[Reading],
    began_at: datetime,
    rest_seconds: int | None,
    posture: str,
    limits: Limits,
) -> VitalDecision | Undecided:
    """Return the decision of the rules, or every reason why the set was not taken as asked."""
    decision = decide(readings, rest_seconds=rest_seconds, measuring=limits.measuring)
    problems = [*_posture_problems(sitting, posture), *_repeat_problems(sitting, began_at)]
    if not problems:
        return decision
    earlier = decision.problems if isinstance(decision, Undecided) else ()
    return Undecided((*earlier, *problems))


def _posture_problems(sitting: _Sitting, posture: str) -> list[VitalProblem]:
    if posture not in ("", *VitalSet.Posture.values):
        raise Refused("Say how the person sat or lay.", field="posture")
    if sitting.gate not in _BEFORE_THE_DOSE or posture in ("", VitalSet.Posture.SEATED):
        return []
    how = VitalSet.Posture(posture).label
    message = f"Taken {how}; the limits are meant for readings while seated. Take a new set."
    return [VitalProblem("posture", "posture", message)]


def _repeat_problems(sitting: _Sitting, began_at: datetime) -> list[VitalProblem]:
    first = sitting.repeat_of
    if sitting.gate != VitalSet.Gate.PRE_DOSE or first is None:
        return []
    last = first.readings.last()
    assert last is not None
    passed = (began_at - last.at).total_seconds()
    if passed >= REPEAT_AFTER_SECONDS:
        return []
    message = (
        f"The repeat began {passed:g} s after the first set; let the person rest "
        f"{REPEAT_AFTER_SECONDS} s and take a new set."
    )
    return [VitalProblem("repeat_early", "reading_1.at", message)]


def _judge(
    sitting: _Sitting,
    decision: VitalDecision | Undecided,
    symptoms: frozenset[str],
    limits: Limits,
    now: datetime,
) -> Verdict:
    person, gate = sitting.participant, sitting.gate
    if gate == VitalSet.Gate.POST_DOSE:
        before = decision_of(newest_vitals(person, VitalSet.Gate.PRE_DOSE, sitting.visit_uid))
        known = before if isinstance(before, VitalDecision) else None
        return post_dose_verdict(decision, known, symptoms, limits.post_dose)
    if gate == VitalSet.Gate.PRE_DOSE and symptoms & RED_FLAGS.keys():
        told = f"Red flag before the dose: {symptom_words(symptoms)}."
        return Verdict("hold", (told,), hold=True, symptoms=True)
    if isinstance(decision, Undecided) or gate == VitalSet.Gate.LEAVE:
        return Verdict("")
    own = personal_limits(sign_off_state(person, now)) if gate == VitalSet.Gate.PRE_DOSE else None
    bands = bands_for(gate, limits, own)
    assert bands is not None
    earlier = standing_sets(person, gate)
    if sitting.supersedes is not None:
        earlier = earlier.exclude(pk=sitting.supersedes.pk)
    if gate == VitalSet.Gate.SCREENING:
        repeated = earlier.exclude(verdict__in=["", "pass"]).exists()
        return screening_verdict(decision, bands, repeated=repeated)
    held_before = (
        earlier.filter(verdict__in=["hold", "exclude"])
        .exclude(visit_uid=sitting.visit_uid)
        .exists()
    )
    return pre_dose_verdict(
        decision, bands, repeated=sitting.repeat_of is not None, held_before=held_before
    )


def _decided_fields(decision: VitalDecision | Undecided) -> dict[str, Any]:
    if isinstance(decision, Undecided):
        return {"problems": [asdict(problem) for problem in decision.problems]}
    return {
        "systolic": decision.systolic,
        "diastolic": decision.diastolic,
        "pulse": decision.pulse,
    }


def _note(vital_set: VitalSet, verdict: Verdict, actor: Actor) -> None:
    corrected = vital_set.supersedes
    audit(
        actor=actor,
        action=Action.VITALS_CORRECTED if corrected else Action.VITALS_RECORDED,
        subject_type="vital_set",
        subject_code=vital_set.uid,
        participant_code=vital_set.participant.code,
        reason=vital_set.reason,
        data={
            "gate": vital_set.gate,
            "decided": vital_set.systolic is not None,
            "verdict": verdict.word,
            "supersedes": str(corrected.uid) if corrected else None,
        },
    )


def _hold(vital_set: VitalSet, verdict: Verdict, actor: Actor) -> None:
    """Put the person on hold because of this set."""
    where = VitalSet.Gate(vital_set.gate).label
    hold_open(
        participant=vital_set.participant,
        kind=Hold.Kind.SYMPTOM if verdict.symptoms else Hold.Kind.VITALS,
        reason=f"Vitals {where}: {' '.join(verdict.reasons)}",
        vital_set_uid=vital_set.uid,
        actor=actor,
    )
