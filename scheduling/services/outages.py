"""Somebody is away, a room is closed, a thing failed, cover is lost: entered once, for everything that it concerns."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from scheduling.models import Closure, Resource
from scheduling.selectors.timelines import span
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused

LONGEST = timedelta(days=366)


@service
def outage_add(
    *,
    resources: Sequence[Resource],
    name: str,
    start: datetime,
    end: datetime,
    reason: str,
    actor: Actor,
) -> list[Closure]:
    """Close these resources, or the whole lab when there are none, for a time. Booked visits stay until repaired.

    Whoever keeps the lab's times may say what cannot be used; weekly hours and what there is stay with the set-up.
    """
    require(actor, Cap.LAB_TIMES)
    if end <= start:
        raise Refused("This is not later than the start.", field="end")
    if end <= clock.now():
        raise Refused("This is over already. Enter what is still to come.", field="end")
    if end - start > LONGEST:
        raise Refused("This is more than a year. Check the year.", field="end")
    why = reason.strip()
    if not why:
        raise Refused("Say why it cannot be used.", field="reason")
    during = span(start, end)
    closed: list[Resource | None] = [*resources] or [None]
    made = [
        Closure.objects.create(resource=one, during=during, reason=f"{name}: {why}"[:120])
        for one in closed
    ]
    audit(
        actor=actor, action=Action.RESOURCE_CHANGED, subject_type="closure",
        subject_code=made[0].uid, reason=made[0].reason,
        data={
            "what": "closure added", "of": [one.name for one in resources] or "the whole lab",
            "start": start.isoformat(), "end": end.isoformat(),
        },
    )  # fmt: skip
    return made
