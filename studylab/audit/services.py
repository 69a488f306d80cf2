"""Writing the trail and the chain over it."""

from collections.abc import Sequence
from typing import Any

from django.db import connection, transaction

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.chain import CHAIN_START, event_digest, settled_below
from studylab.audit.models import Event, Link
from studylab.db import insert_many

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
    event = event_row(
        actor=actor, action=action, subject_type=subject_type, subject_code=subject_code,
        participant_code=participant_code, study_id=study_id, reason=reason, data=data,
    )  # fmt: skip
    event.save()
    return event


def event_row(
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
    """Return an event that is not written yet, for `audit_many`."""
    return Event(
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


def audit_many(events: Sequence[Event]) -> None:
    """Write many events inside the caller's transaction, in their order."""
    insert_many(events)


def audit_in_statement(event: Event, *, rows: str) -> tuple[str, list[Any]]:
    """Return an INSERT, with its values, that writes `event` for each of the `rows` that a statement changes.

    `rows` names a part of the same statement that has a column `subject_code`. For writes under a lock that
    everybody waits for: the event costs no journey of its own.
    """
    kept = [
        field
        for field in Event._meta.concrete_fields
        if field.name not in ("id", "transaction_id", "subject_code")
    ]
    names = ", ".join(f'"{field.column}"' for field in kept)
    marks = ", ".join(["%s"] * len(kept))
    values = [field.get_db_prep_save(getattr(event, field.attname), connection) for field in kept]
    sql = (
        f"INSERT INTO audit_event ({names}, subject_code) SELECT {marks}, subject_code FROM {rows}"  # noqa: S608
    )
    return sql, values


def seal_events(*, limit: int = 5000) -> int:
    """Chain settled events that have no link yet; return how many.

    Settled means that every transaction that began before the event's own has ended: only then can no
    earlier event still appear. Events are chained by transaction, and by number within one, so that a link
    made too late shows (see `verify_chain`). Run by beat every minute.
    """
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", [_SEAL_LOCK])
            if not cursor.fetchone()[0]:
                return 0
        bound = settled_below()
        waiting = list(
            Event.objects.filter(link=None, transaction_id__lt=bound)
            .order_by("transaction_id", "id")[:limit]
        )  # fmt: skip
        if len(waiting) == limit:
            bound = waiting[-1].transaction_id  # the rest of this transaction comes next time
        last = Link.objects.order_by("-id").first()
        previous = last.hash if last else CHAIN_START
        now = clock.now()
        links = []
        for event in waiting:
            previous = event_digest(previous, event)
            links.append(Link(event=event, hash=previous, sealed_at=now, settled_below=bound))
        Link.objects.bulk_create(links)
        return len(links)
