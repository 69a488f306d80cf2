"""Writing the trail and the chain over it."""

import hashlib
import json
from typing import Any

from django.db import connection, transaction

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.models import Event, Link

CHAIN_START = "0" * 64
_SEAL_LOCK = 7_301_995  # advisory lock: one sealing at a time


def audit(
    *,
    actor: Actor,
    action: Action,
    subject_type: str,
    subject_code: object,
    participant_code: str = "",
    study_id: int | None = None,
    reason: str = "",
    data: dict[str, Any] | None = None,
) -> Event:
    """Write one event inside the caller's transaction.

    `data` must be plain JSON and must never hold an arm, a name or another contact detail: blinded roles
    and monitors read it.
    """
    return Event.objects.create(
        at=clock.now(),
        actor_id=actor.user_id,
        actor_label=actor.label,
        role=actor.role_text,
        action=action,
        study_id=study_id if study_id is not None else actor.study_id,
        subject_type=subject_type,
        subject_code=str(subject_code),
        participant_code=participant_code,
        reason=reason,
        data=data or {},
        request_id=actor.request_id,
    )


def event_digest(previous: str, event: Event) -> str:
    """Return the SHA-256, in hex, that chains `event` to the link before it."""
    content = {
        "id": event.pk,
        "at": event.at.isoformat(),
        "actor_id": event.actor_id,
        "actor_label": event.actor_label,
        "role": event.role,
        "action": event.action,
        "study_id": event.study_id,
        "subject_type": event.subject_type,
        "subject_code": event.subject_code,
        "participant_code": event.participant_code,
        "reason": event.reason,
        "data": event.data,
        "request_id": str(event.request_id),
    }
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(f"{previous}\n{text}".encode()).hexdigest()


def seal_events(*, limit: int = 5000) -> int:
    """Chain settled events that have no link yet; return how many.

    Settled means that every transaction that began before the event's own has ended: only then can no
    earlier event still appear. Events are chained in the order of their numbers. Run by beat every minute.
    """
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_SEAL_LOCK])
            if not cursor.fetchone()[0]:
                return 0
            cursor.execute("SELECT pg_snapshot_xmin(pg_current_snapshot())::text::bigint")
            settled_below = cursor.fetchone()[0]
        last = Link.objects.order_by("-id").first()
        previous = last.hash if last else CHAIN_START
        waiting = Event.objects.filter(link=None, transaction_id__lt=settled_below)
        now = clock.now()
        links = []
        for event in waiting.order_by("id")[:limit]:
            previous = event_digest(previous, event)
            links.append(Link(event=event, hash=previous, sealed_at=now))
        Link.objects.bulk_create(links)
        return len(links)
