"""Comparing the clock of a pressure device with the server's, and taking a device out of use."""

from datetime import time

from screening.models import Monitor, MonitorClock
from screening.rules.monitor_clock import offset
from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.services.roles import require_in
from studylab.studies.models import Study


@service
def monitor_compare(*, study: Study, name: str, shown: time, actor: Actor) -> MonitorClock:
    """Record what a device's clock shows now. A name that is new becomes a device of the study.

    `shown` is the local time on its display; the server's time is that of this call.
    """
    require_in(actor, Cap.VITALS_RECORD, study)
    assert actor.user_id is not None, "a clock is compared by somebody who looks at it"
    name = " ".join(name.split())
    if not name or len(name) > 60:
        raise Refused("Give the name or serial number that stands on the device.", field="name")
    if shown.tzinfo is not None:
        raise Refused("Enter the time as the device shows it.", field="shown")
    now = clock.now()
    monitor = Monitor.objects.filter(study=study, name__iexact=name, retired_at=None).first()
    if monitor is None:
        monitor = Monitor.objects.create(
            study=study, name=name, added_at=now, added_by_id=actor.user_id
        )
    made = MonitorClock.objects.create(
        monitor=monitor, shown=shown, at=now, compared_by_id=actor.user_id,
        offset_seconds=round(offset(shown, now, study.zone).total_seconds()),
    )  # fmt: skip
    _note(actor, Action.MONITOR_COMPARED, monitor, {"ahead_seconds": made.offset_seconds})
    return made


@service
def monitor_retire(*, monitor: Monitor, reason: str, actor: Actor) -> Monitor:
    """Take a device out of use: its times count no more, what was measured with it stays."""
    require_in(actor, Cap.VITALS_RECORD, monitor.study)
    reason = " ".join(reason.split())
    if not reason:
        raise Refused("Say why the device is no longer used.", field="reason")
    monitor = lock(Monitor, pk=monitor.pk)
    if monitor.retired_at is not None:
        raise Conflict("This device was taken out of use already.")
    monitor.retired_at, monitor.retire_reason = clock.now(), reason[:300]
    monitor.save(update_fields=["retired_at", "retire_reason"])
    _note(actor, Action.MONITOR_RETIRED, monitor, {}, reason)
    return monitor


def _note(
    actor: Actor, action: Action, monitor: Monitor, data: dict[str, object], reason: str = ""
) -> None:
    audit(
        actor=actor, action=action, subject_type="monitor", subject_code=monitor.uid, reason=reason,
        study_id=monitor.study_id, data={"device": monitor.name, **data},
    )  # fmt: skip
