"""Triggers that keep the record: rows that may only be added, and the history of rows that change.

One trigger function body serves every table, so that a new model joins by one line in its Meta. Who wrote
is set per transaction by `studylab.db.service`; a write from outside a service has no actor and shows so.
"""

import pgtrigger
from django.db import models
from django.db.models import Q

_NOTE = """
INSERT INTO audit_rowchange (at, table_name, row_id, operation, old, new, actor, request)
VALUES (
    clock_timestamp(), TG_TABLE_NAME, {row}.id, TG_OP, {old}, {new},
    COALESCE(current_setting('studylab.actor', true), ''),
    COALESCE(current_setting('studylab.request', true), '')
);
RETURN NULL;
"""


def history() -> list[pgtrigger.Trigger]:
    """Triggers that write every change of a row, old and new, to `audit_rowchange`."""
    return [
        pgtrigger.Trigger(
            name="history_update",
            operation=pgtrigger.Update,
            when=pgtrigger.After,
            condition=pgtrigger.Condition("OLD.* IS DISTINCT FROM NEW.*"),
            func=_NOTE.format(row="NEW", old="to_jsonb(OLD)", new="to_jsonb(NEW)"),
        ),
        pgtrigger.Trigger(
            name="history_delete",
            operation=pgtrigger.Delete,
            when=pgtrigger.After,
            func=_NOTE.format(row="OLD", old="to_jsonb(OLD)", new="NULL"),
        ),
        _no_truncate(),
    ]


def append_only() -> list[pgtrigger.Trigger]:
    """Triggers that refuse any change, removal or truncation: the row stays as it was written."""
    return [
        pgtrigger.Protect(name="append_only", operation=pgtrigger.Update | pgtrigger.Delete),
        _no_truncate(),
    ]


def never_deleted() -> list[pgtrigger.Trigger]:
    """Triggers for rows that change but never go: history kept, deletion refused."""
    return [
        history()[0],
        pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
        _no_truncate(),
    ]


def kept() -> list[pgtrigger.Trigger]:
    """Triggers for rows that change without history but never go."""
    return [
        pgtrigger.Protect(name="never_deleted", operation=pgtrigger.Delete),
        _no_truncate(),
    ]


def _no_truncate() -> pgtrigger.Trigger:
    return pgtrigger.Trigger(
        name="no_truncate",
        operation=pgtrigger.Truncate,
        when=pgtrigger.Before,
        level=pgtrigger.Statement,
        func="RAISE EXCEPTION 'The rows of % stay: the table cannot be emptied.', TG_TABLE_NAME;",
    )


def stands(through: str = "") -> Q:
    """Return the condition of rows that can be corrected and that no other supersedes; `through` leads to them, as "doses__".

    Asked by the joined column, since only by that PostgreSQL sees that rows without a partner are sought, and how many they
    are: asked by the other row's id it expects one and plans for it.
    """
    return Q(**{f"{through}superseded_by__supersedes": None})


STANDS = stands()


def corrections(name: str) -> models.Index:
    """Return an index over the few rows that correct another one.

    What counts are rows that none supersedes. Without this index PostgreSQL looks for such a one through all rows of the
    table, for every page.
    """
    return models.Index(fields=["supersedes"], condition=Q(supersedes__isnull=False), name=name)


def fits(
    name: str, *, column: str, table: str, same: tuple[str, ...], sentence: str
) -> pgtrigger.Trigger:
    """Return a guard for new rows: the row that `column` points at in `table` has the `same` columns.

    So a correction stands in for a row of its own kind only, and nothing is written beside the wrong person.
    `same` names columns, or pairs "theirs=ours" where the names differ.
    """
    pairs = [one.split("=") if "=" in one else (one, one) for one in same]
    alike = " AND ".join(f"o.{theirs} IS NOT DISTINCT FROM NEW.{ours}" for theirs, ours in pairs)
    return guard(
        name,
        operation=pgtrigger.Insert,
        # Names are written in our own models, never by anybody outside.
        check=f"NEW.{column} IS NULL OR EXISTS (SELECT 1 FROM {table} o WHERE o.id = NEW.{column} AND {alike})",  # noqa: S608
        sentence=sentence,
    )


def guard(
    name: str, *, check: str, sentence: str, operation: pgtrigger.Operation
) -> pgtrigger.Trigger:
    """Return a trigger that refuses the row with `sentence` unless the SQL condition `check` is true: unknown is refused.

    Tables named in `check` are looked up when the trigger runs, so a guard may look at the tables of an app
    above its own: the database sees the whole record, whatever way a write takes.
    """
    text = sentence.replace("'", "''")
    return pgtrigger.Trigger(
        name=name,
        operation=operation,
        when=pgtrigger.Before,
        func=f"""
            IF ({check}) IS NOT TRUE THEN
                RAISE EXCEPTION USING
                    MESSAGE = '{text}', ERRCODE = 'check_violation', CONSTRAINT = 'SL001_{name}';
            END IF;
            RETURN NEW;
        """,
    )
