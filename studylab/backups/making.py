"""Making a backup: every table in one view of the record, sealed on its way to the disk, and read once more from there.

No program of PostgreSQL's is needed, so the same works beside any server, newer than this machine or not, and beside
one that speaks TLS only; the tables come from the migrations when it is restored.
"""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connection, connections

from studylab import clock
from studylab.allocation.rules.sealing import key_id
from studylab.audit.chain import CHAIN_START
from studylab.backups import catalog, files
from studylab.backups.rules.content import (
    End,
    Head,
    Summing,
    Sums,
    end_record,
    read_content_head,
    read_end,
    read_tables,
    write_block,
    write_record,
)
from studylab.backups.rules.sealed_file import Sealer, open_content
from studylab.operation.checks import version

Told = Callable[[str, int], None]  # what is being done, how many rows more; may raise to stop


@dataclass(frozen=True, slots=True)
class Backup:
    """One whole backup, as it was read from its file."""

    path: Path
    head: Head
    end: End
    made: dict[str, Any]

    @property
    def snapshot_at(self) -> datetime:
        """Of which moment it is."""
        return datetime.fromisoformat(self.head.snapshot_at)


@dataclass(frozen=True, slots=True)
class Written:
    """A backup that was written and read back."""

    backup: Backup
    size: int
    sha256: str


def quiet(_stage: str, _rows: int) -> None:
    """Hear how far it is, and say nothing."""


def make(told: Told = quiet, *, beginning: str = files.USUAL) -> Written:
    """Make a backup in the site's folder. BackupProblem says why it can not be; no half file is left then."""
    key, name = files.key()
    place = files.folder()
    with files.alone(place), _view() as source:
        at = clock.now()
        with source.cursor() as cursor:
            head = _head(cursor, at)
            file_name = files.name_at(at, beginning)
            with files.new_file(place, file_name) as file:
                _seal(cursor, head, file, key, name, told)
    told("Reading it back", 0)
    backup = read(place / file_name)
    return Written(backup, file.size, file.sha256)


def read(path: Path) -> Backup:
    """Read a whole backup: every part opens, every sum is right. BackupProblem or BackupDamaged when not."""
    with opened(path) as (made, content):
        head = read_content_head(content)
        seen = {}
        for shape, blocks in read_tables(content, head):
            summing = Summing()
            for block in blocks:
                summing.take(block)
            seen[shape.name] = summing.sums
        end = read_end(content)
    assert end.tables == seen, "each table was compared while it was read"
    return Backup(path, head, end, made)


@contextmanager
def opened(path: Path) -> Iterator[tuple[dict[str, Any], IO[bytes]]]:
    """Open a backup with the site's key."""
    key, name = files.key()
    try:
        file = path.open("rb")
    except OSError as problem:
        raise files.BackupProblem(f"{path} cannot be read: {problem.strerror}.") from problem
    with file:
        yield open_content(file, key, name)


@contextmanager
def _view() -> Iterator[Any]:
    """Give a connection that sees the record as it is at one moment; a caller's own transaction is such a view."""
    if connection.in_atomic_block:
        yield connection
        return
    other = connections.create_connection(DEFAULT_DB_ALIAS)
    try:
        with other.cursor() as cursor:
            cursor.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield other
    finally:
        other.close()


def _head(cursor: Any, at: datetime) -> Head:
    catalog.settle(cursor)
    shapes = catalog.tables(cursor)
    # Nobody migrates while the tables are read.
    names = ", ".join(catalog.quoted(shape.name) for shape in shapes)
    cursor.execute(f"LOCK TABLE {names} IN ACCESS SHARE MODE")
    cursor.execute("SHOW server_version")
    server = str(cursor.fetchone()[0])
    cursor.execute("SELECT id, hash FROM audit_link ORDER BY id DESC LIMIT 1")
    last_link, last_hash = cursor.fetchone() or (0, CHAIN_START)
    cursor.execute(
        "SELECT s.slug, l.commitment FROM allocation_allocationlist l JOIN studies_study s ON s.id = l.study_id"
    )
    commitments = dict(cursor.fetchall())
    return Head(
        program=version(), snapshot_at=at.isoformat(), server=server, migrations=catalog.migrations(cursor),
        keys=keys_needed(), last_link=last_link, last_hash=last_hash, commitments=commitments,
        schema=catalog.schema(cursor), tables=shapes,
    )  # fmt: skip


def keys_needed() -> dict[str, str]:
    """Return, by setting, eight hex digits of the keys that open what is sealed inside the tables."""
    return {
        "STUDYLAB_ALLOCATION_KEY": key_id(settings.ALLOCATION_KEY),
        "STUDYLAB_CONTACT_KEY": key_id(settings.CONTACT_KEY),
    }


def _seal(cursor: Any, head: Head, file: Any, key: bytes, name: str, told: Told) -> None:
    facts = {"program": head.program, "made_at": head.snapshot_at, "process": os.getpid()}
    sealer: Any = Sealer(file, key, name, facts)
    write_record(sealer, head)
    sums: dict[str, Sums] = {}
    for shape in head.tables:
        write_record(sealer, {"table": shape.name})
        summing = Summing()
        for block in catalog.blocks(cursor, shape):
            write_block(sealer, block)
            told("Reading the record", summing.take(block))
        write_block(sealer, b"")
        sums[shape.name] = summing.sums
        write_record(sealer, {"rows": summing.rows, "sha256": summing.sums.sha256})
    write_record(sealer, end_record(End(sums, catalog.sequences(cursor))))
    sealer.finish()
