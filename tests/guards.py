"""Switch the guards of tables off, as somebody could who owns the database but is no superuser."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connection, transaction


@contextmanager
def guards_off(*tables: str) -> Iterator[Any]:
    """Give a cursor for which the triggers and foreign keys of these tables do not count.

    They count again afterwards; what broke a foreign key meanwhile stays (NOT VALID).
    """
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # an ALTER refuses pending events
        keys = [key for table in tables for key in _foreign_keys(cursor, table)]
        for table, name, _ in keys:
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"')
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
        yield cursor
        for table in tables:
            cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
        for table, name, definition in keys:
            cursor.execute(f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {definition}')


def _foreign_keys(cursor: Any, table: str) -> list[tuple[str, str, str]]:
    cursor.execute(
        "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint"
        " WHERE conrelid = %s::regclass AND contype = 'f'",
        [table],
    )
    return [
        (table, name, f"{definition.removesuffix(' NOT VALID')} NOT VALID")
        for name, definition in cursor.fetchall()
    ]
