"""One sitting: whose it is, at which gate and visit, and what its readings come to."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from screening.models import VitalSet
from screening.rules.after_dose import RED_FLAGS, symptom_words
from screening.rules.sets import TakenSet, screening_ruling, worst_place
from screening.rules.taking import BothArms, arm_problems, weighed, with_counted_pulse
from screening.rules.vitals import Reading, Undecided, VitalDecision, VitalProblem, decide
from screening.selectors.sign_off import personal_limits, sign_off_state
from screening.selectors.vitals import (
    bands_for,
    decision_of,
    known_arms,
    newest_vitals,
    standing_sets,
    taken_sets,
)
from screening.services.checks import check_visit
from screening.services.readings import HowTaken
from screening.services.verdicts import (
    Verdict,
    post_dose_verdict,
    pre_dose_verdict,
    screening_verdict,
)
from studylab import clock
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.services.checks import require_active
from studylab.studies.rules.protocol import Limits
from studylab.studies.selectors import current_protocol

_BEFORE_THE_DOSE = frozenset({VitalSet.Gate.SCREENING, VitalSet.Gate.PRE_DOSE})
TIME_UNCERTAIN = VitalProblem(
    "time_uncertain",
    "clock",
    "The times were read from a device whose clock was not compared with the server’s that day, so they keep no time "
    "by themselves. Compare its clock and take a new set.",
)
_NOT_PASSED = frozenset({"physician", "repeat", "hold", "exclude"})


@dataclass(frozen=True, slots=True)
class Sitting:
    """Where a set belongs. `earlier` are the other sets of the check that stand, oldest first."""

    participant: Participant
    gate: VitalSet.Gate
    visit_uid: UUID | None
    repeat_of: VitalSet | None
    supersedes: VitalSet | None
    earlier: tuple[VitalSet, ...]
    limits: Limits


def sitting_of(
    participant: Participant,
    gate: str,
    visit_uid: UUID | None,
    supersedes: VitalSet | None,
    reason: str,
) -> Sitting:
    """Return where a new set belongs; refuse one that cannot be taken here, or again without a reason."""
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
    else:
        repeat_of = newest
        if newest is not None and not reason.strip():
            raise Refused(
                "A set of this check is on record already. Say why another one is taken.",
                field="reason",
            )
    gone = supersedes.pk if supersedes else None
    earlier = tuple(one for one in standing_sets(participant, known, visit_uid) if one.pk != gone)
    limits = current_protocol(participant.study).plan.limits
    return Sitting(participant, known, visit_uid, repeat_of, supersedes, earlier, limits)


def judged_set(
    sitting: Sitting,
    readings: Sequence[Reading],
    how: HowTaken,
    rest_seconds: int | None,
    arm: str,
    posture: str,
    symptoms: frozenset[str],
    uncertain: bool = False,
) -> tuple[VitalDecision | Undecided, tuple[VitalProblem, ...], Verdict]:
    """Return the decision of the rules or that there is none, everything not done as asked, and the verdict.

    A failure counts although something is missing; a pass needs everything. `uncertain` are times of a clock that
    nobody compared.
    """
    measuring = sitting.limits.measuring
    decision = decide(readings, rest_seconds=rest_seconds, measuring=measuring)
    arms = arm_problems(arm, _arms(sitting, how), measuring)
    hard = [*_posture_problems(sitting, posture), *_repeat_problems(sitting, readings[0].at)]
    gaps: tuple[VitalProblem, ...] = (TIME_UNCERTAIN,) if uncertain else ()
    if sitting.gate in _BEFORE_THE_DOSE:
        hard += arms
    else:
        gaps = (*gaps, *arms)
    if isinstance(decision, Undecided) or hard:
        told = decision.problems if isinstance(decision, Undecided) else ()
        decision = Undecided((*told, *hard))
    else:
        decision, more = with_counted_pulse(decision, how.rhythm, how.counted_pulse, measuring)
        gaps = (*gaps, *more)
    verdict = _verdict(sitting, decision, how, symptoms)
    if isinstance(decision, Undecided):
        return decision, (*decision.problems, *gaps), verdict
    if gaps and verdict.word in ("pass", ""):
        return Undecided(gaps), gaps, Verdict("")
    return decision, gaps, verdict


def _arms(sitting: Sitting, how: HowTaken) -> BothArms | None:
    """Return the comparison of the arms that counts: the one of this sitting, else the newest known."""
    corrected = sitting.supersedes
    if how.both_arms is not None or (corrected and corrected.left_systolic is None):
        return how.both_arms or known_arms(sitting.participant)
    return None if corrected else known_arms(sitting.participant)


def _posture_problems(sitting: Sitting, posture: str) -> list[VitalProblem]:
    if posture not in ("", *VitalSet.Posture.values):
        raise Refused("Say how the person sat or lay.", field="posture")
    if sitting.gate not in _BEFORE_THE_DOSE or posture in ("", VitalSet.Posture.SEATED):
        return []
    how = VitalSet.Posture(posture).label
    message = f"Taken {how}; the limits are meant for readings while seated. Take a new set."
    return [VitalProblem("posture", "posture", message)]


def _repeat_problems(sitting: Sitting, began_at: datetime | None) -> list[VitalProblem]:
    if sitting.gate != VitalSet.Gate.PRE_DOSE or began_at is None:
        return []
    asked = sitting.limits.measuring.repeat_after_seconds
    first = next((one for one in reversed(sitting.earlier) if one.verdict == "repeat"), None)
    last = list(first.readings.all())[-1].at if first else None
    passed = (began_at - last).total_seconds() if last else asked
    if passed >= asked:
        return []
    message = f"The repeat began {passed:g} s after the first set; let the person rest {asked} s and take a new set."
    return [VitalProblem("repeat_early", "reading_1.at", message)]


def _verdict(
    sitting: Sitting, decision: VitalDecision | Undecided, how: HowTaken, symptoms: frozenset[str]
) -> Verdict:
    person, gate = sitting.participant, sitting.gate
    if gate == VitalSet.Gate.POST_DOSE:
        before = decision_of(newest_vitals(person, VitalSet.Gate.PRE_DOSE, sitting.visit_uid))
        known = before if isinstance(before, VitalDecision) else None
        return post_dose_verdict(decision, known, symptoms, sitting.limits.post_dose)
    if gate == VitalSet.Gate.PRE_DOSE and symptoms & RED_FLAGS.keys():
        told = f"Red flag before the dose: {symptom_words(symptoms)}."
        return Verdict("hold", (told,), hold=True, symptoms=True)
    if isinstance(decision, Undecided) or gate == VitalSet.Gate.LEAVE:
        return Verdict("")
    if gate == VitalSet.Gate.SCREENING:
        return _at_screening(sitting, decision, how)
    return _before_dose(sitting, decision, how)


def _at_screening(sitting: Sitting, decision: VitalDecision, how: HowTaken) -> Verdict:
    limits = sitting.limits
    zone = ZoneInfo(sitting.participant.study.timezone)
    weigh = weighed(how.rhythm, how.both_arms, limits.measuring)
    new = TakenSet(decision, clock.now().astimezone(zone).date(), weigh)
    ruling = screening_ruling((*taken_sets(sitting.earlier, limits, zone), new), limits.screening)
    return screening_verdict(ruling, decision, limits.screening, weigh)


def _before_dose(sitting: Sitting, decision: VitalDecision, how: HowTaken) -> Verdict:
    person = sitting.participant
    own = personal_limits(sign_off_state(person, clock.now()))
    bands = bands_for(sitting.gate, sitting.limits, own)
    assert bands is not None
    known = [decision_of(one) for one in sitting.earlier]
    held_before = (
        standing_sets(person, sitting.gate)
        .filter(verdict__in=["hold", "exclude"])
        .exclude(visit_uid=sitting.visit_uid)
        .exists()
    )
    return pre_dose_verdict(
        decision,
        bands,
        weigh=weighed(how.rhythm, how.both_arms, sitting.limits.measuring),
        repeated=any(one.verdict in _NOT_PASSED for one in sitting.earlier),
        held_before=held_before,
        ruled_out=any(
            isinstance(one, VitalDecision) and worst_place(one, bands) == "outside" for one in known
        ),
    )
