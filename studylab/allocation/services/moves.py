"""Writing one line of the kit ledger: the one way in which a kit changes."""

from datetime import datetime
from uuid import UUID

from studylab import clock
from studylab.access import Actor
from studylab.allocation.models import Excursion, Kit, KitMovement, ListEntry
from studylab.allocation.rules.kit_states import FOR_A_PERSON, OUT_OF_SIGHT, NotPossible, after
from studylab.allocation.services.checks import person_of
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock
from studylab.errors import Refused
from studylab.people.models import User


def lock_kit(kit: Kit) -> Kit:
    """Return the kit locked for update, so that its ledger grows one line at a time."""
    locked: Kit = lock(Kit, pk=kit.pk)
    return locked


def state_after(kit: Kit, what: KitMovement.What) -> str:
    """Return the state after the movement; Refused when it cannot follow."""
    left = kit.movements.filter(what__in=OUT_OF_SIGHT).exists()
    try:
        return after(kit.state, what, left_before=left)
    except NotPossible as problem:
        raise Refused(str(problem)) from None


def move(
    kit: Kit,
    what: KitMovement.What,
    *,
    actor: Actor,
    participant_code: str = "",
    entry: ListEntry | None = None,
    second: User | None = None,
    visit_uid: UUID | None = None,
    reason: str = "",
    at: datetime | None = None,
    excursion: Excursion | None = None,
) -> KitMovement:
    """Write the line, let the kit follow it, note it on the trail. `kit` is locked by the caller."""
    kit.state = state_after(kit, what)
    now = clock.now()
    line = KitMovement.objects.create(
        kit=kit,
        what=what,
        at=at or now,
        recorded_at=now,
        by_id=person_of(actor),
        second=second,
        participant_code=participant_code,
        visit_uid=visit_uid,
        reason=reason,
        excursion=excursion,
    )
    if what == KitMovement.What.PREPARE:
        kit.entry = entry
    elif what == KitMovement.What.RELEASE:
        kit.entry = None
    kit.save(update_fields=["state", "entry"])
    _note(line, actor)
    return line


def _note(line: KitMovement, actor: Actor) -> None:
    """Note the line on the trail, naming kit and person only where one person is concerned.

    For stock the trail names the ledger's line: the kits that are put aside together would tell its readers
    who was prepared from one batch.
    """
    personal = line.what in FOR_A_PERSON or line.what == KitMovement.What.RETURN
    audit(
        actor=actor,
        action=Action.KIT_MOVED,
        subject_type="kit" if personal else "ledger_line",
        subject_code=line.kit.number if personal else line.uid,
        participant_code=line.participant_code if personal else "",
        study_id=line.kit.study_id,
        data={"what": str(line.what), "second_person": line.second.name if line.second else ""},
    )
