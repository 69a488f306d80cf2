"""One vital set as a page shows it: which readings went in, and each value beside its limits."""

from dataclasses import dataclass

from screening.models import VitalReading, VitalSet
from screening.rules.bands import Place
from screening.rules.vitals import UNITS, WORDS, VitalDecision, shown
from screening.selectors.sign_off import personal_limits, sign_off_state
from screening.selectors.vitals import MEASURES, bands_for, decision_of, value_places
from studylab import clock
from studylab.studies.rules.protocol import Band, LeaveLimits, Limits, PostDoseLimits
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """A reading and whether it is one of the two that were averaged."""

    reading: VitalReading
    counts: bool


@dataclass(frozen=True, slots=True)
class ValueLine:
    """A decision value in words, its limits in words, and where it lies where bands judge it."""

    name: str
    value: str
    limits: str
    place: Place | None


@dataclass(frozen=True, slots=True)
class VitalPage:
    """What the page of a set says."""

    readings: list[ReadingLine]
    values: list[ValueLine]
    problems: list[str]


def vital_page(vital_set: VitalSet) -> VitalPage:
    """Return a set's readings, values and problems. Limits are those of the protocol that rules now."""
    decision = decision_of(vital_set)
    decided = decision if isinstance(decision, VitalDecision) else None
    return VitalPage(
        readings=[
            ReadingLine(reading, decided is not None and reading.index in decided.used)
            for reading in vital_set.readings.all()
        ],
        values=_values(vital_set, decided) if decided else [],
        problems=[problem["message"] for problem in vital_set.problems],
    )


def _values(vital_set: VitalSet, decision: VitalDecision) -> list[ValueLine]:
    participant = vital_set.participant
    limits = current_protocol(participant.study).plan.limits
    own = None
    if vital_set.gate == VitalSet.Gate.PRE_DOSE:
        own = personal_limits(sign_off_state(participant, clock.now()))
    bands = bands_for(vital_set.gate, limits, own)
    if bands is not None:
        texts = {m: _band(getattr(bands, m)) for m in MEASURES}
        places: dict[str, Place] = value_places(decision, bands)
    else:
        texts, places = _other_limits(vital_set.gate, limits), {}
    return [
        ValueLine(
            WORDS[m], f"{shown(getattr(decision, m))} {UNITS[m]}", texts.get(m, ""), places.get(m)
        )
        for m in MEASURES
    ]


def _band(band: Band) -> str:
    to = "to" if band.upper_included else "to below"
    passes = f"passes from {band.pass_from:g} {to} {band.pass_below:g}"
    return f"{passes}; physician from {band.review_from:g} {to} {band.review_below:g}"


def _other_limits(gate: str, limits: Limits) -> dict[str, str]:
    if gate == VitalSet.Gate.POST_DOSE:
        return _after_dose(limits.post_dose)
    return _leave(limits.leave)


def _after_dose(limits: PostDoseLimits) -> dict[str, str]:
    fall = "pause when it fell by more than"
    return {
        "systolic": f"passes from {limits.systolic_pass_from:g}; emergency below "
        f"{limits.systolic_pause_from:g}; {fall} {limits.systolic_fall:g}",
        "diastolic": f"passes from {limits.diastolic_pass_from:g}",
        "pulse": f"passes from {limits.pulse_pass_from:g}; emergency below "
        f"{limits.pulse_pause_from:g}; {fall} {limits.pulse_fall:g}",
    }


def _leave(limits: LeaveLimits) -> dict[str, str]:
    return {
        "systolic": f"from {limits.systolic_from:g}, or within "
        f"{limits.systolic_within_of_screening:g} of the screening value",
        "pulse": f"from {limits.pulse_from:g}",
    }
