"""Which sensor sets are clean, read from the labels taken and put back on run sheets."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from scheduling.models import Resource, StepRecord, Visit
from scheduling.rules.things import LastUse, Thing, thing_at
from studylab.audit.history import STANDS
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol, Step

LOOK_BACK = timedelta(days=7)  # longer than anything dries


def things_now(study: Study, protocol: Protocol, at: datetime) -> list[Thing]:
    """Return every thing of the kinds that run sheets read labels of, as it stands at `at`."""
    kinds = {step.of for step in _labels(protocol)}
    if not kinds:
        return []
    names = Resource.objects.filter(kind__in=kinds, is_active=True).order_by("kind", "name")
    uses = _uses(protocol, at)
    return [
        thing_at(name, uses.get(_folded(name)), timedelta(minutes=protocol.turnaround[kind]), at)
        for kind, name in names.values_list("kind", "name")
    ]


def thing_of(step: Step, label: str, visit: Visit, protocol: Protocol, at: datetime) -> Thing:
    """Return how the thing with this label stands for somebody else than the volunteer of `visit`."""
    uses = _uses(protocol, at, leave_out=visit)
    cleaning = timedelta(minutes=protocol.turnaround.get(step.of, 0))
    return thing_at(label, uses.get(_folded(label)), cleaning, at)


def _labels(protocol: Protocol) -> list[Step]:
    return [
        step for plan in protocol.visits for step in plan.steps if step.kind == "label" and step.of
    ]


def _uses(
    protocol: Protocol, at: datetime, *, leave_out: Visit | None = None
) -> dict[str, LastUse]:
    """Return the newest use of each label, whatever study: things are shared by the whole site."""
    taken = StepRecord.objects.filter(
        STANDS, step__in={step.key for step in _labels(protocol)}, skipped=False,
        occurred_at__gt=at - LOOK_BACK, occurred_at__lte=at,
    ).select_related("visit__participant")  # fmt: skip
    if leave_out is not None:
        taken = taken.exclude(visit=leave_out)
    records = list(taken.order_by("occurred_at", "id"))
    back = _returns(protocol, (record.visit_id for record in records))
    uses: dict[str, LastUse] = {}
    for record in records:
        returned = back.get((record.visit_id, record.step)) or record.visit.ended_at
        label = str(record.value.get("value", ""))
        uses[_folded(label)] = LastUse(record.visit.participant.code, record.occurred_at, returned)
    return uses


def _returns(protocol: Protocol, visits: Iterable[int]) -> dict[tuple[int, str], datetime]:
    """Return when what was labelled at a step of a visit was put out for cleaning."""
    goes_back = {
        step.key: step.returns for plan in protocol.visits for step in plan.steps if step.returns
    }
    done = StepRecord.objects.filter(
        STANDS, visit__in=set(visits), step__in=goes_back, skipped=False
    )
    rows = done.values_list("visit_id", "step", "occurred_at")
    return {(visit, goes_back[step]): at for visit, step, at in rows}


def _folded(label: str) -> str:
    return " ".join(label.split()).casefold()
