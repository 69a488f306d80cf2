"""What the database itself says of its tables: columns, order, sequences, and every guard, read as one connection sees it."""

from collections.abc import Sequence
from typing import Any

from studylab.backups.rules.content import Summing, Sums, TableShape

# Made by migrating, or gone with the processes and browsers that it was about.
OMITTED = frozenset(
    {"django_migrations", "django_session", "operation_processbeat", "operation_statusnote"}
)
# So that the same rows are the same text, whatever the server's own settings.
_AS_TEXT = """
    SET LOCAL timezone = 'UTC'; SET LOCAL datestyle = 'ISO, MDY'; SET LOCAL intervalstyle = 'postgres';
    SET LOCAL extra_float_digits = 1; SET LOCAL bytea_output = 'hex'; SET LOCAL client_encoding = 'UTF8';
    SET LOCAL statement_timeout = 0; SET LOCAL idle_in_transaction_session_timeout = 0"""
_TABLES = """
    SELECT c.relname,
        (SELECT array_agg(a.attname::text ORDER BY a.attnum) FROM pg_attribute a
         WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''),
        (SELECT array_agg(
            quote_ident(a.attname) || CASE WHEN a.attcollation <> 0 THEN ' COLLATE "C"' ELSE '' END ORDER BY k.place)
         FROM pg_index i CROSS JOIN LATERAL unnest(i.indkey) WITH ORDINALITY AS k(number, place)
         JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = k.number
         WHERE i.indrelid = c.oid AND i.indisprimary)
    FROM pg_class c WHERE c.relkind = 'r' AND c.relnamespace = current_schema()::regnamespace
    AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = c.oid AND d.deptype = 'e') ORDER BY 1"""
_SEQUENCES = """
    SELECT quote_ident(schemaname) || '.' || quote_ident(sequencename), sequencename FROM pg_sequences
    WHERE schemaname = current_schema() ORDER BY 2"""
# Names and kinds, not definitions: servers of different versions write the same definition differently.
_SCHEMA = """
    WITH own AS (SELECT oid, relname FROM pg_class WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace)
    SELECT format('column %s.%s %s%s', relname, attname, format_type(atttypid, atttypmod),
        CASE WHEN attnotnull THEN ' not null' ELSE '' END)
    FROM own JOIN pg_attribute ON attrelid = own.oid WHERE attnum > 0 AND NOT attisdropped
    UNION ALL SELECT format('constraint %s.%s %s', relname, conname, contype)
    FROM own JOIN pg_constraint ON conrelid = own.oid WHERE contype <> 'n' AND convalidated
    UNION ALL SELECT format('index %s.%s%s', relname, i.indexrelid::regclass, CASE WHEN indisunique THEN ' unique' ELSE '' END)
    FROM own JOIN pg_index i ON i.indrelid = own.oid WHERE indisvalid
    UNION ALL SELECT format('trigger %s.%s %s %s %s', relname, tgname, tgtype, tgenabled, md5(prosrc))
    FROM own JOIN pg_trigger ON tgrelid = own.oid JOIN pg_proc p ON p.oid = tgfoid WHERE NOT tgisinternal
    ORDER BY 1"""
_BLOCK = 1 << 18


def settle(cursor: Any) -> None:
    """Let this transaction write and read values as text in one way, for as long as it takes."""
    cursor.execute(_AS_TEXT)


def quoted(name: str) -> str:
    """Return a table's or column's name as SQL."""
    return '"' + name.replace('"', '""') + '"'


def tables(cursor: Any) -> tuple[TableShape, ...]:
    """Return every table of the schema with its columns, but for those in OMITTED."""
    cursor.execute(_TABLES)
    return tuple(
        TableShape(name, tuple(columns), ", ".join(order or [quoted(one) for one in columns]))
        for name, columns, order in cursor.fetchall()
        if name not in OMITTED
    )


def schema(cursor: Any) -> tuple[str, ...]:
    """Return a line for each column, constraint, index and trigger, so that a missing guard shows."""
    cursor.execute(_SCHEMA)
    return tuple(row[0] for row in cursor.fetchall())


def sequences(cursor: Any) -> dict[str, tuple[int, bool]]:
    """Return where each sequence stands and whether that number was given out."""
    found = {}
    cursor.execute(_SEQUENCES)
    for address, name in cursor.fetchall():
        cursor.execute(f"SELECT last_value, is_called FROM {address}")  # noqa: S608 - quoted by the server
        found[name] = tuple(cursor.fetchone())
    return found


def migrations(cursor: Any) -> tuple[str, ...]:
    """Return what was migrated, as "app.name"."""
    cursor.execute("SELECT app || '.' || name FROM django_migrations ORDER BY 1")
    return tuple(row[0] for row in cursor.fetchall())


def copy_out(shape: TableShape) -> str:
    """Return the statement that reads a table in its order."""
    columns = ", ".join(quoted(one) for one in shape.columns)
    return f"COPY (SELECT {columns} FROM {quoted(shape.name)} ORDER BY {shape.order}) TO STDOUT"  # noqa: S608


def copy_in(shape: TableShape) -> str:
    """Return the statement that fills a table."""
    columns = ", ".join(quoted(one) for one in shape.columns)
    return f"COPY {quoted(shape.name)} ({columns}) FROM STDIN"


def sums_of(cursor: Any, shapes: Sequence[TableShape]) -> dict[str, Sums]:
    """Read tables as they stand and return their sums."""
    found = {}
    for shape in shapes:
        summing = Summing()
        for block in blocks(cursor, shape):
            summing.take(block)
        found[shape.name] = summing.sums
    return found


def blocks(cursor: Any, shape: TableShape) -> Any:
    """Return the lines of a table in larger pieces than the rows in which they come."""
    held = bytearray()
    with cursor.copy(copy_out(shape)) as copy:
        for piece in copy:
            held += piece
            if len(held) >= _BLOCK:
                yield bytes(held)
                held.clear()
    if held:
        yield bytes(held)
