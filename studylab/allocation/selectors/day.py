"""The pharmacist's day: who is due, whose kit is ready, and what will be short."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.due import Due, due_between
from studylab.allocation.gates import arm_of_batch, arm_to_prepare
from studylab.allocation.models import Kit, KitBatch, ListEntry
from studylab.allocation.rules.supply import Need, Shelf, Short, shortages
from studylab.allocation.selectors.dispensary import version_of_kits
from studylab.people.selectors import today_in
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of

AHEAD = timedelta(days=14)
_READY = [Kit.State.PREPARED, Kit.State.DISPENSED, Kit.State.GIVEN]


@dataclass(frozen=True, slots=True)
class DueRow:
    """One planned dose with the volunteer's number and kit; `kit` is None while none is prepared."""

    due: Due
    entry: ListEntry | None
    kit: Kit | None

    @property
    def to_do(self) -> str:
        """The next act: "number", "prepare", "hand out" or ""."""
        if self.entry is None:
            return "number"
        if self.kit is None:
            return "prepare"
        return "hand out" if self.kit.state == Kit.State.PREPARED else ""


def due_today(study: Study, actor: Actor) -> list[DueRow]:
    """Return today's planned doses, the earliest first."""
    require(actor, Cap.DISPENSE)
    start = datetime.combine(today_in(study.timezone), time(0), study.zone)
    return _rows(due_between(study, start, start + timedelta(days=1)))


def _rows(due: list[Due]) -> list[DueRow]:
    people = [one.participant_id for one in due]
    entries = {
        entry.participant_id: entry
        for entry in ListEntry.objects.filter(participant__in=people)
        .select_related("list__study", "list__protocol_version", "participant")
        .defer("list__box")
    }
    kits = {
        kit.entry.participant_id: kit
        for kit in Kit.objects.filter(entry__participant__in=people, state__in=_READY)
        .select_related("entry")
        .defer("entry__box")
        if kit.entry is not None
    }
    return [
        DueRow(one, entries.get(one.participant_id), kits.get(one.participant_id)) for one in due
    ]


@sensitive_variables()
def short_ahead(study: Study, actor: Actor) -> list[Short]:
    """Return which kits will be missing for the doses planned in the coming two weeks, by arm name."""
    require(actor, Cap.DISPENSE)
    now, version = clock.now(), version_of_kits(study)
    rows = _rows(due_between(study, now, now + AHEAD))
    needs = [
        Need(
            row.due.at.astimezone(study.zone).date(),
            arm_to_prepare(row.entry, actor=actor).name if row.entry else None,
        )
        for row in rows
        if row.kit is None
    ]
    if not needs:
        return []
    batches = (
        KitBatch.objects.filter(study=study).select_related("study").prefetch_related("checks")
    )
    shelves = [
        Shelf(
            arm_of_batch(batch, version=version, actor=actor).name,
            batch.usable_until,
            batch.kits.filter(state=Kit.State.IN_STOCK).count(),
        )
        for batch in batches
        if batch.identified
    ]
    arms = [arm.name for arm in plan_of(version).allocation.arms]
    return list(shortages(needs, shelves, arms))
