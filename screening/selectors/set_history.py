"""A person's sets of readings as lines of a table and columns of a drawing, the asked one marked."""

from dataclasses import dataclass

from django.db.models import Q
from django.utils import timezone

from screening.models import VitalSet
from screening.rules.sets import screening_ruling
from screening.rules.vital_chart import Column, Edges
from screening.rules.vitals import VitalDecision
from screening.selectors.sign_off import personal_limits, sign_off_state
from screening.selectors.vitals import MEASURES, bands_for, decision_of, standing_sets, taken_sets
from studylab import clock
from studylab.audit.history import STANDS
from studylab.studies.rules.protocol import Limits
from studylab.studies.selectors import current_protocol

_SHORT = {
    "screening": "screening", "pre_dose": "before dose", "post_dose": "after dose", "leave": "leaving",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SetLine:
    """One set. `part` says in words whether it decides or counts along."""

    set: VitalSet
    decision: VitalDecision | None
    column: Column
    part: str
    current: bool


def set_history(shown: VitalSet) -> list[SetLine]:
    """Return the person's sets up to now, oldest first: those that stand, and `shown` even when corrected."""
    participant = shown.participant
    limits = current_protocol(participant.study).plan.limits
    sets = (
        VitalSet.objects.filter(participant=participant)
        .filter(STANDS | Q(pk=shown.pk))
        .prefetch_related("readings")
        .select_related("measured_by", "recorded_by")
        .order_by("taken_at", "id")
    )
    parts = _parts(shown, limits)
    return [_line(one, one.pk == shown.pk, parts.get(one.pk, ""), limits) for one in sets]


def _line(one: VitalSet, current: bool, part: str, limits: Limits) -> SetLine:
    decision = decision_of(one)
    decided = decision if isinstance(decision, VitalDecision) else None
    local = timezone.localtime(one.taken_at)
    column = Column(
        title=f"{local:%d %b %H:%M}",
        under=_SHORT[one.gate],
        readings=tuple(
            {m: float(getattr(reading, m)) for m in MEASURES} for reading in one.readings.all()
        ),
        values={m: float(getattr(decided, m)) for m in MEASURES} if decided else None,
        edges=_edges(one, limits),
        current=current,
    )
    return SetLine(one, decided, column, part, current)


def _edges(one: VitalSet, limits: Limits) -> dict[str, Edges]:
    """Return the limits of a set's gate; before the dose those of the person where some are signed."""
    own = None
    if one.gate == VitalSet.Gate.PRE_DOSE:
        own = personal_limits(sign_off_state(one.participant, clock.now()))
    bands = bands_for(one.gate, limits, own)
    if bands is not None:
        found = {m: getattr(bands, m) for m in MEASURES}
        return {
            m: Edges(b.pass_from, b.pass_below, b.review_from, b.review_below)
            for m, b in found.items()
        }
    if one.gate == VitalSet.Gate.POST_DOSE:
        at = limits.post_dose
        return {
            "systolic": Edges(at.systolic_pass_from, None, at.systolic_pause_from, None),
            "diastolic": Edges(at.diastolic_pass_from, None, None, None),
            "pulse": Edges(at.pulse_pass_from, None, at.pulse_pause_from, None),
        }
    return {
        "systolic": Edges(limits.leave.systolic_from, None, None, None),
        "pulse": Edges(limits.leave.pulse_from, None, None, None),
    }


def _parts(shown: VitalSet, limits: Limits) -> dict[int, str]:
    """Return what each standing set of the same check contributes."""
    sets = list(standing_sets(shown.participant, shown.gate, shown.visit_uid))
    if not sets:
        return {}
    parts = {
        one.pk: "counts too" if one.systolic is not None else "decides nothing" for one in sets
    }
    decides: VitalSet | None = sets[-1] if sets[-1].systolic is not None else None
    if shown.gate == VitalSet.Gate.SCREENING:
        zone = timezone.get_current_timezone()
        ruled = screening_ruling(taken_sets(sets, limits, zone), limits.screening)
        decides = sets[ruled.decides - 1] if ruled.decides else None
    if decides is not None:
        parts[decides.pk] = "decides"
    return parts
