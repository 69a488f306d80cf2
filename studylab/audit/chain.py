"""How events are chained: the digest, and when an event is settled."""

import hashlib
import json

from django.db import connection

from studylab.audit.models import Event

CHAIN_START = "0" * 64

# Transactions are numbered for the whole server, but only those of this database can write events: one
# that is known to run in another database does not hold up the sealing. Whose end came between the two
# looks counts as ours.
_SETTLED_BELOW = """
SELECT COALESCE(
    (
        SELECT min(open.id::text::bigint) FROM pg_snapshot_xip(seen.snapshot) AS open(id)
        WHERE NOT EXISTS (
            SELECT 1 FROM pg_locks AS held JOIN pg_stat_activity AS session USING (pid)
            WHERE held.locktype = 'transactionid' AND held.granted AND held.mode = 'ExclusiveLock'
              AND held.transactionid = open.id::xid
              AND session.datid <> (SELECT oid FROM pg_database WHERE datname = current_database())
        )
    ),
    pg_snapshot_xmax(seen.snapshot)::text::bigint
)
FROM (SELECT pg_current_snapshot() AS snapshot) AS seen
"""


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


def settled_below() -> int:
    """Return the transaction number below which every transaction of this database has ended."""
    with connection.cursor() as cursor:
        cursor.execute(_SETTLED_BELOW)
        return int(cursor.fetchone()[0])
