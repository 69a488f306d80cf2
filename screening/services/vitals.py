"""Recording vital sets, what they decide, and the holds that follow."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any
from uuid import UUID

from screening.models import Assessment, VitalReading, VitalSet
from screening.rules.vitals import Reading, Undecided, VitalDecision
from screening.selectors.vital_drafts import drafts_of
from screening.services.assessment import refresh
from screening.services.body import same_body
from screening.services.device_times import device_timing
from screening.services.outsiders import check_measurer
from screening.services.readings import HowTaken, Taken, checked_how, checked_readings
from screening.services.sittings import Sitting, judged_set, sitting_of
from screening.services.verdicts import Verdict
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Deviation, Hold, Participant
from studylab.participants.services import hold_open
from studylab.participants.services.checks import lock_participant

_BEFORE_THE_DOSE = (VitalSet.Gate.SCREENING, VitalSet.Gate.PRE_DOSE)


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
    how: HowTaken | None = None,
    deviation: Deviation | None = None,
    supersedes: VitalSet | None = None,
    reason: str = "",
    actor: Actor,
) -> VitalSet:
    """Record one set of readings, its unrounded decision or why there is none, and the verdict.

    Readings are whole mmHg and beats per minute with the instants they were taken, in that order. A further set
    of the same check needs a `reason`; the earlier ones stay and count as `screening.rules.sets` says.
    """
    require(actor, Cap.VITALS_RECORD)
    participant = lock_participant(participant, actor)
    check_measurer(participant, gate, actor, how.measured_by if how else None)
    sitting = sitting_of(participant, gate, visit_uid, supersedes, reason)
    if deviation is not None and deviation.participant_id != participant.pk:
        raise Refused("This deviation is about somebody else.")
    now = clock.now()
    taken = checked_readings(readings, arm, now)
    how = checked_how(how or HowTaken(), participant, gate, visit_uid)
    timing = device_timing(participant, device, how, taken)
    decision, problems, verdict = judged_set(
        sitting, readings, how, rest_seconds, arm, posture, frozenset(symptoms), timing.uncertain
    )
    stored = {
        "arm": arm, "cuff": cuff.strip()[:40], "device": device.strip()[:60], "posture": posture,
        "symptoms": sorted(set(symptoms)), "rest_seconds": rest_seconds, "reason": reason.strip(),
        "deviation": deviation, "recorded_at": now, "recorded_by_id": actor.user_id,
        "problems": [asdict(problem) for problem in problems], **how.fields(actor),
        "clock_id": timing.clock, "time_uncertain": timing.uncertain,
    }  # fmt: skip
    vital_set = _store(sitting, taken, decision, verdict, how, stored)
    mine = drafts_of(participant, gate, visit_uid, supersedes)
    mine.filter(holder_id=actor.user_id).delete()
    _note(vital_set, verdict, actor)
    if verdict.hold:
        _hold(vital_set, verdict, actor)
    if sitting.gate in _BEFORE_THE_DOSE:
        same_body("The upper arm", _girth_before(vital_set), vital_set.girth_cm, participant, actor)
    if sitting.gate == VitalSet.Gate.SCREENING:
        screening = Assessment.Gate.SCREENING
        refresh(participant=participant, gate=screening, visit_uid=None, actor=actor)
    return vital_set


def _girth_before(vital_set: VitalSet) -> float | None:
    """Return the newest girth of the arm measured before this set; the one that it corrects does not count."""
    earlier = VitalSet.objects.filter(
        STANDS, participant=vital_set.participant, girth_cm__isnull=False
    ).exclude(pk=vital_set.pk)
    return earlier.order_by("id").values_list("girth_cm", flat=True).last()


def _store(
    sitting: Sitting,
    taken: Sequence[Taken],
    decision: VitalDecision | Undecided,
    verdict: Verdict,
    how: HowTaken,
    stored: dict[str, Any],
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
        **stored,
    )
    timed, shown = (*how.timed, *[""] * len(taken)), (*how.shown, *[None] * len(taken))
    VitalReading.objects.bulk_create(
        VitalReading(
            set=vital_set,
            index=number,
            timed=timed[number - 1],
            shown=shown[number - 1],
            **asdict(reading),
        )
        for number, reading in enumerate(taken, start=1)
    )
    return vital_set


def _decided_fields(decision: VitalDecision | Undecided) -> dict[str, Any]:
    if isinstance(decision, Undecided):
        return {}
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
