"""Closing an adverse event by signature, once nothing about it is open."""

from typing import Any

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, RefusedWithReasons
from studylab.participants.models import AdverseEvent, EventEntry
from studylab.participants.rules.events import OUTCOMES, OVER
from studylab.participants.selectors.events import entries_of
from studylab.participants.selectors.owed import reports_of_event
from studylab.participants.selectors.safety import newest_status
from studylab.participants.selectors.told import told_missing
from studylab.participants.services.checks import lock_participant, require_study
from studylab.people.models import User
from studylab.people.services.signatures import check_password, content_hash, signature_write
from studylab.studies.selectors import current_protocol

MEANING = "I have looked at this event and everything entered about it, and close it"


def open_ends(event: AdverseEvent, entries: list[EventEntry]) -> list[str]:
    """Return what still stands in the way of closing an event, as sentences; nothing for one entered in error."""
    newest, found = entries[-1], []
    due = reports_of_event(event, entries, current_protocol(event.study).plan.safety, clock.now())
    found += [f"A report to {one.to} is still open: sent and its receipt entered." for one in due if one.owed]  # fmt: skip
    if newest.in_error:
        return found
    if newest.outcome not in OVER and newest.outcome != "unknown":
        found.append(f"The outcome is “{OUTCOMES[newest.outcome]}”: follow it up until it is over.")
    if not newest.relation:
        found.append("No clinician has judged what caused it.")
    if newest.care_at is not None:
        status = newest_status(event)
        if status is None or status.status not in ("home", "died"):
            found.append("The person was taken to care, and is not recorded as home again.")
    if newest.always_report and told_missing(event.told.all()):
        found.append("Whether the person was told is not answered.")
    return found


def signed_event(event: AdverseEvent, entries: list[EventEntry]) -> dict[str, Any]:
    """Return what a closing signature stands under, as plain JSON."""
    newest = entries[-1]
    return {
        "uid": str(event.uid),
        "participant": event.participant.code,
        "entries": len(entries),
        "what": newest.what,
        "term": newest.term,
        "grade": newest.grade,
        "criteria": newest.criteria,
        "expected": newest.expected,
        "relation": newest.relation,
        "outcome": newest.outcome,
        "action": newest.action,
    }


def closing_void(event: AdverseEvent, entries: list[EventEntry]) -> bool:
    """Whether the closing signature stands under other content than the event now has."""
    if event.closing is None:
        return False
    return not event.closing.covers(content_hash(signed_event(event, entries)))


def event_close(*, event: AdverseEvent, password: str, actor: Actor) -> AdverseEvent:
    """Close an event by a clinician's signature; refused with everything that is still open."""
    require(actor, Cap.EVENT_JUDGE)
    require_study(actor, event.study_id)
    user = check_password(
        actor=actor, password=password, subject_type="event", subject_code=event.uid
    )
    return _close(event=event, user=user, actor=actor)


@service
def _close(*, event: AdverseEvent, user: User, actor: Actor) -> AdverseEvent:
    lock_participant(event.participant, actor)
    event = lock(AdverseEvent, pk=event.pk)
    if event.state == AdverseEvent.State.CLOSED:
        raise Conflict("Somebody else closed this event meanwhile.")
    entries = entries_of(event)
    left = open_ends(event, entries)
    if left:
        raise RefusedWithReasons("This event cannot be closed yet.", left, code="event_open_ends")
    code = event.participant.code
    event.closing = signature_write(
        actor=actor, user=user, meaning=MEANING, subject_type="event", subject_code=event.uid,
        content=signed_event(event, entries), participant_code=code,
    )  # fmt: skip
    event.state, event.closed_at = AdverseEvent.State.CLOSED, clock.now()
    event.save(update_fields=["closing", "state", "closed_at"])
    audit(
        actor=actor, action=Action.EVENT_CLOSED, subject_type="event", subject_code=event.uid,
        participant_code=code, study_id=event.study_id,
    )  # fmt: skip
    return event
