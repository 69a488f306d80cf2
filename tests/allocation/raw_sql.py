"""Writing past every service, in plain SQL, to see the database refuse it."""

from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction

from studylab import clock
from studylab.allocation.models import Kit

LINE = """INSERT INTO allocation_kitmovement
    (uid, kit_id, what, at, recorded_at, by_id, second_id, participant_code, visit_uid, reason)
    VALUES (gen_random_uuid(), %s, %s, %s, %s, %s, %s, %s, NULL, %s)"""


def line(
    kit: Kit,
    what: str,
    by: Any,
    second: Any = None,
    code: str = "",
    reason: str = "",
    at: Any = None,
) -> tuple[Any, ...]:
    """Values for LINE."""
    at = at or clock.now()
    return (kit.pk, what, at, at, by.pk, second.pk if second else None, code, reason)


def refused_by_database(sql: str, *values: Any, says: str = "") -> None:
    """Run plain SQL and expect the database itself to refuse it, at once or when the transaction ends."""
    with pytest.raises(DatabaseError, match=says or None), transaction.atomic():
        _run_to_the_end(sql, values)


def _run_to_the_end(sql: str, values: tuple[Any, ...]) -> None:
    with connection.cursor() as cursor:
        # What the test wrote before is checked first, so that only this statement can fail.
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
        cursor.execute(sql, list(values))
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
