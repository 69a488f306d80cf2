"""Writing shifts: one by a form, many from a file, all of a file or nothing, and the undoing of the last file."""

from datetime import datetime
from hashlib import sha256

from scheduling.models import Resource, RotaImport, Shift
from scheduling.rules.rota import LONGEST_SHIFT, RotaPlan
from scheduling.selectors.rota import RotaAsked, last_import, planned_rota
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused


class RotaRefused(Refused):
    """A file with problems. `plan` has them by line, for the page."""

    def __init__(self, plan: RotaPlan) -> None:
        super().__init__("Nothing was taken over: the file has lines to put right.")
        self.plan = plan


@service
def shift_add(*, resource: Resource, start: datetime, end: datetime, actor: Actor) -> Shift:
    """Add hours on one date, which replace the weekly ones of that day."""
    require(actor, Cap.LAB_TIMES)
    if end <= start:
        raise Refused("The end is not later than the start.", field="end")
    if end - start > LONGEST_SHIFT:
        raise Refused("A shift is not longer than 24 hours. Add one per day.", field="end")
    row: Resource = lock(Resource, pk=resource.pk)
    shift = Shift.objects.create(resource=row, during=span(start, end))
    _note(row, actor, "shift added", shift)
    return shift


@service
def shift_remove(*, shift: Shift, actor: Actor) -> None:
    """Take a shift away. On a day without any, the weekly hours hold again."""
    require(actor, Cap.LAB_TIMES)
    _note(shift.resource, actor, "shift taken away", shift)
    shift.delete()


@service
def rota_import(*, asked: RotaAsked, actor: Actor) -> RotaImport | None:
    """Take a rota file over, whole or not at all; None when all of it stands already.

    RotaRefused with the problems by line when there is one, also one that came up since the preview.
    """
    require(actor, Cap.LAB_TIMES)
    # Two files at once would each be checked against what the other is about to change.
    list(Resource.objects.select_for_update().order_by("pk").values_list("pk", flat=True))
    plan = planned_rota(asked)
    if plan.problems:
        raise RotaRefused(plan)
    if not plan.new and not plan.gone:
        return None
    taken = [
        row for row in Shift.objects.filter(resource_id__in={one.resource_id for one in plan.gone})
        if (row.resource_id, row.during.lower, row.during.upper) in {one.what for one in plan.gone}
    ]  # fmt: skip
    made = RotaImport.objects.create(
        file_name=asked.file_name[:120], sha256=sha256(asked.data).hexdigest(), imported_at=clock.now(),
        imported_by_id=actor.user_id, added=len(plan.new),
        taken_away=[
            [row.resource_id, row.during.lower.isoformat(), row.during.upper.isoformat(), row.rota_import_id]
            for row in taken
        ],
    )  # fmt: skip
    Shift.objects.filter(pk__in=[row.pk for row in taken]).delete()
    Shift.objects.bulk_create(
        Shift(resource_id=row.resource_id, during=span(row.start, row.end), rota_import=made)
        for row in plan.new
    )
    _note_import(made, actor, "rota file")
    return made


@service
def rota_undo(*, rota_import: RotaImport, actor: Actor) -> RotaImport:
    """Undo the last file: its shifts go, and what it took away stands again."""
    require(actor, Cap.LAB_TIMES)
    row: RotaImport = lock(RotaImport, pk=rota_import.pk)
    last = last_import()
    if last is None or last.pk != row.pk:
        raise Conflict("Only the last file can be undone. Undo the later one first.")
    row.shifts.all().delete()
    Shift.objects.bulk_create(
        Shift(
            resource_id=resource_id, rota_import_id=earlier,
            during=span(datetime.fromisoformat(start), datetime.fromisoformat(end)),
        )
        for resource_id, start, end, earlier in row.taken_away
    )  # fmt: skip
    row.undone_at, row.undone_by_id = clock.now(), actor.user_id
    row.save(update_fields=["undone_at", "undone_by"])
    _note_import(row, actor, "rota file undone")
    return row


def _note(resource: Resource, actor: Actor, what: str, shift: Shift) -> None:
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="resource",
        subject_code=resource.uid,
        data={"what": what, "name": resource.name, "start": shift.during.lower.isoformat(),
              "end": shift.during.upper.isoformat()},
    )  # fmt: skip


def _note_import(row: RotaImport, actor: Actor, what: str) -> None:
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="rota", subject_code=row.uid,
        data={"what": what, "file": row.file_name, "sha256": row.sha256, "added": row.added,
              "taken_away": len(row.taken_away)},
    )  # fmt: skip
