"""How events are chained: the digest, and when an event is settled."""

import hashlib
import json
from collections.abc import Sequence
from typing import Any

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


# What of an event is chained, in the order of `row_digest`.
CHAINED = (
    "id", "at", "actor_id", "actor_label", "role", "action", "study_id", "subject_type", "subject_code",
    "participant_code", "reason", "data", "request_id",
)  # fmt: skip
_AT, _REQUEST = CHAINED.index("at"), CHAINED.index("request_id")
_quoted = json.encoder.encode_basestring
_encode = json.JSONEncoder(sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode


def event_digest(previous: str, event: Event) -> str:
    """Return the SHA-256, in hex, that chains `event` to the link before it."""
    values = [getattr(event, name) for name in CHAINED]
    values[_AT], values[_REQUEST] = event.at.isoformat(), str(event.request_id)
    return row_digest(previous, values)


def row_digest(previous: str, values: Sequence[Any]) -> str:
    """Do the same for an event given by its values in the order of CHAINED, its time and request as text.

    The content is hashed as JSON with sorted keys and no blanks. It is put together here by hand: a trail is walked
    whole, and the encoder's own sorting would take longer than everything else.
    """
    number, at, actor, label, role, action, study, kind, code, person, reason, data, request = (
        values
    )
    text = (
        f'{{"action":{_quoted(action)},"actor_id":{_number(actor)},"actor_label":{_quoted(label)},"at":"{at}",'
        f'"data":{"{}" if data == {} else _encode(data)},"id":{number},"participant_code":{_quoted(person)},'
        f'"reason":{_quoted(reason)},"request_id":"{request}","role":{_quoted(role)},'
        f'"study_id":{_number(study)},"subject_code":{_quoted(code)},"subject_type":{_quoted(kind)}}}'
    )
    return hashlib.sha256(f"{previous}\n{text}".encode()).hexdigest()


def _number(value: int | None) -> str:
    return "null" if value is None else str(value)


def settled_below() -> int:
    """Return the transaction number below which every transaction of this database has ended."""
    with connection.cursor() as cursor:
        cursor.execute(_SETTLED_BELOW)
        return int(cursor.fetchone()[0])
