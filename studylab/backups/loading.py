"""Filling a database that has its tables from a backup: all of it in the caller's transaction, or nothing.

Foreign keys are deferred and checked before it ends; the guards of our own stand aside meanwhile, which the owner of the
tables may do without being superuser. Every row is read once more and its sums compared before anything stays.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.db import connection

from studylab.backups import catalog
from studylab.backups.making import Told, opened, quiet
from studylab.backups.rules.content import (
    End,
    TableShape,
    read_content_head,
    read_end,
    read_tables,
    schema_differences,
    sum_differences,
)
from studylab.backups.rules.problems import BackupProblem

_NEWEST_LINK = "SELECT id, hash FROM audit_link ORDER BY id DESC LIMIT 1"


class NotTheSame(BackupProblem):
    """What was read from the restored database is not what was backed up."""


def load(path: Path, told: Told = quiet) -> End:
    """Put the rows of a backup in place of those of the database; NotTheSame when they do not come out as they went in."""
    assert connection.in_atomic_block, "all or nothing"
    with opened(path) as (_, content), connection.cursor() as cursor:
        head = read_content_head(content)
        catalog.settle(cursor)
        own = catalog.tables(cursor)
        _same(schema_differences(head.schema, catalog.schema(cursor)), "The tables differ")
        _empty(cursor, own)
        for shape, blocks in read_tables(content, head):
            with cursor.copy(catalog.copy_in(shape)) as copy:
                for block in blocks:
                    copy.write(block)
                    told("Filling the tables", block.count(b"\n"))
        end = read_end(content)
        told("Comparing what was restored", 0)
        _check_foreign_keys(cursor)
        _same(sum_differences(end.tables, catalog.sums_of(cursor, head.tables)), "The rows differ")
        _set_sequences(cursor, end)
        _guard(cursor, own, "ENABLE")
        _same(schema_differences(head.schema, catalog.schema(cursor)), "The guards differ")
    return end


def _empty(cursor: Any, shapes: Sequence[TableShape]) -> None:
    """Let the guards stand aside and empty every table, also those of which a backup holds nothing."""
    _check_foreign_keys(cursor)  # what waits for its check keeps a table from being altered
    _guard(cursor, shapes, "DISABLE")
    omitted = catalog.OMITTED - {"django_migrations"}
    names = [shape.name for shape in shapes] + sorted(omitted)
    cursor.execute(f"TRUNCATE {', '.join(map(catalog.quoted, names))}")


def _check_foreign_keys(cursor: Any) -> None:
    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    cursor.execute("SET CONSTRAINTS ALL DEFERRED")


def _guard(cursor: Any, shapes: Sequence[TableShape], how: str) -> None:
    for shape in shapes:
        cursor.execute(f"ALTER TABLE {catalog.quoted(shape.name)} {how} TRIGGER USER")


def _set_sequences(cursor: Any, end: End) -> None:
    for name, (value, called) in end.sequences.items():
        cursor.execute("SELECT setval(quote_ident(%s)::regclass, %s, %s)", [name, value, called])


def _same(differences: Sequence[str], what: str) -> None:
    if differences:
        shown = " ".join(differences[:5])
        more = "" if len(differences) <= 5 else f" And {len(differences) - 5} more."
        raise NotTheSame(f"{what}: {shown}{more}")
