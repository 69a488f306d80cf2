"""Looking through the emergency kit, and saying who stays with a volunteer."""

from datetime import datetime
from uuid import UUID

from scheduling.models import RescueCheck, Staying, Visit
from scheduling.services.running import (
    check_instant,
    reason_of,
    require_running,
    user_of,
    work_on,
)
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict
from studylab.people.models import User


@service
def rescue_check_record(*, complete: bool, note: str, actor: Actor) -> RescueCheck:
    """Record that the resuscitation kit was looked through now. Incomplete needs `note`, and shuts the gate today."""
    require(actor, Cap.VISIT_RUN)
    said = note.strip()[:300]
    if not complete:
        said = reason_of(note, ask="Say what is missing, out of date or broken.", field="note")
    check = RescueCheck.objects.create(
        at=clock.now(), by_id=user_of(actor), complete=complete, note=said
    )
    audit(
        actor=actor, action=Action.RESCUE_KIT_CHECKED, subject_type="rescue kit",
        subject_code=check.pk, data={"complete": complete, "note": said},
    )  # fmt: skip
    return check


@service
def staying_record(
    *, visit: Visit, client_id: UUID, at: datetime | None = None, actor: Actor
) -> Staying:
    """Say that the acting person is with the volunteer, now or at an earlier moment of the visit.

    Whoever says so takes over from whoever stayed before. The same `client_id` sent again writes nothing.
    """
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    sent = Staying.objects.filter(client_id=client_id).first()
    if sent is not None:
        if sent.visit_id != work.visit.pk:
            raise Conflict("This entry was sent for another visit. Reload the page.")
        if sent.user_id != user_of(actor):
            raise Conflict("Somebody else sent this entry. Reload the page, and press it yourself.")
        return sent
    require_running(work.visit)
    moment = work.now if at is None else at
    check_instant(moment, work, field="at")
    row = Staying.objects.create(
        visit=work.visit, participant=work.participant, user_id=user_of(actor), at=moment,
        recorded_at=work.now, client_id=client_id,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.STAYING_RECORDED, subject_type="visit",
        subject_code=work.visit.uid, participant_code=work.participant.code,
        data={"at": moment.isoformat(), "who": User.objects.get(pk=row.user_id).name},
    )  # fmt: skip
    return row
