"""Reading vital sets, and what their decision values mean against the limits."""

from collections.abc import Iterable
from datetime import tzinfo
from itertools import pairwise
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from screening.models import VitalReading, VitalSet
from screening.rules.bands import PersonalLimits, Place, judge, personal_bands
from screening.rules.sets import TakenSet
from screening.rules.taking import BothArms, weighed
from screening.rules.vitals import (
    UNITS,
    WORDS,
    Undecided,
    VitalDecision,
    VitalProblem,
    shown,
)
from studylab.audit.history import STANDS, stands
from studylab.participants.models import Participant
from studylab.prepared import Prepared, give
from studylab.studies.rules.protocol import Band, Limits, VitalBands

MEASURES = ("systolic", "diastolic", "pulse")
BANDED_GATES = frozenset({VitalSet.Gate.SCREENING, VitalSet.Gate.PRE_DOSE})


def standing_sets(
    participant: Participant | int, gate: str, visit_uid: UUID | None = None
) -> QuerySet[VitalSet]:
    """Return the sets of a gate that no correction supersedes, oldest first, with their readings."""
    sets = VitalSet.objects.filter(STANDS, participant=participant, gate=gate)
    if visit_uid is not None:
        sets = sets.filter(visit_uid=visit_uid)
    return sets.order_by("id").prefetch_related("readings")


SETS_AT_SCREENING = Prepared(lambda person: standing_sets(person, VitalSet.Gate.SCREENING))
READINGS_AT_SCREENING = Prepared(
    lambda person: VitalReading.objects.filter(
        stands("set__"),
        set__participant=person,
        set__gate=VitalSet.Gate.SCREENING,
    )
)


def sets_at_screening(participant: Participant) -> list[VitalSet]:
    """Return what `standing_sets` says of screening."""
    sets = SETS_AT_SCREENING(participant.pk)
    readings = READINGS_AT_SCREENING(participant.pk) if sets else []
    for one in sets:
        give(one, "readings", [reading for reading in readings if reading.set_id == one.pk])
    return sets


def newest_vitals(
    participant: Participant, gate: str, visit_uid: UUID | None = None
) -> VitalSet | None:
    """Return the newest standing set of a gate, decided or not."""
    return standing_sets(participant, gate, visit_uid).last()


def access_vital_set(participant: Participant, uid: UUID) -> VitalSet:
    """Return one of the person's sets with its readings, or answer "not found"."""
    found = (
        VitalSet.objects.filter(participant=participant, uid=uid)
        .select_related("recorded_by", "repeat_of", "supersedes", "superseded_by", "deviation")
        .prefetch_related("readings")
        .first()
    )
    if found is None:
        raise Http404("There is no such set of readings.")
    return found


def decision_of(vital_set: VitalSet | None) -> VitalDecision | Undecided | None:
    """Return what the set decided, from the stored values; None when there is no set."""
    if vital_set is None:
        return None
    if vital_set.systolic is None or vital_set.diastolic is None or vital_set.pulse is None:
        return Undecided(tuple(VitalProblem(**problem) for problem in vital_set.problems))
    return VitalDecision(
        systolic=vital_set.systolic,
        diastolic=vital_set.diastolic,
        pulse=vital_set.pulse,
        used=_used(vital_set),
    )


def _used(vital_set: VitalSet) -> tuple[int, int]:
    """Return the numbers of the two readings whose means are stored; a counted pulse may stand for theirs."""
    readings = list(vital_set.readings.all())
    for first, (one, other) in enumerate(pairwise(readings[1:]), start=2):
        systolic = (one.systolic + other.systolic) / 2
        if (systolic, (one.diastolic + other.diastolic) / 2) == (
            vital_set.systolic,
            vital_set.diastolic,
        ):
            return first, first + 1
    raise AssertionError("the stored decision is the mean of no two readings")


def arms_of(vital_set: VitalSet) -> BothArms | None:
    """Return the pressures of both arms that were taken with a set."""
    values = (
        vital_set.left_systolic,
        vital_set.left_diastolic,
        vital_set.right_systolic,
        vital_set.right_diastolic,
    )
    return None if None in values else BothArms(*map(float, values))  # type: ignore[arg-type]


def known_arms(participant: Participant) -> BothArms | None:
    """Return the newest comparison of the person's two arms; None while both were never measured."""
    newest = (
        VitalSet.objects.filter(STANDS, participant=participant, left_systolic__isnull=False)
        .order_by("id")
        .last()
    )
    return arms_of(newest) if newest else None


def to_weigh(vital_set: VitalSet, limits: Limits) -> tuple[str, ...]:
    """Return what a physician weighs in a set besides its values."""
    return weighed(vital_set.rhythm, arms_of(vital_set), limits.measuring)


def taken_sets(
    vital_sets: Iterable[VitalSet], limits: Limits, zone: tzinfo
) -> tuple[TakenSet, ...]:
    """Return standing sets, oldest first, as the rules weigh them together."""
    found = []
    for one in vital_sets:
        decision = decision_of(one)
        assert decision is not None
        found.append(
            TakenSet(decision, one.taken_at.astimezone(zone).date(), to_weigh(one, limits))
        )
    return tuple(found)


def bands_for(gate: str, limits: Limits, personal: PersonalLimits | None) -> VitalBands | None:
    """Return the bands that judge a gate's values; None for gates that are judged otherwise."""
    if gate == VitalSet.Gate.SCREENING:
        return limits.screening
    if gate == VitalSet.Gate.PRE_DOSE:
        return personal_bands(limits.pre_dose, limits, personal)
    return None


def value_places(decision: VitalDecision, bands: VitalBands) -> dict[str, Place]:
    """Return where each decision value lies: pass, review, outside."""
    return {
        measure: judge(getattr(bands, measure), getattr(decision, measure)) for measure in MEASURES
    }


def value_text(measure: str, decision: VitalDecision, band: Band) -> str:
    """Return a decision value beside the range in which it passes."""
    to = "to" if band.upper_included else "to below"
    return (
        f"{WORDS[measure]} {shown(getattr(decision, measure))} {UNITS[measure]} "
        f"(passes from {band.pass_from:g} {to} {band.pass_below:g})."
    )
