"""What is in a backup, once it is open: a head, tables one after the other as PostgreSQL copies them, and the sums.

record: 4 bytes length, JSON        block: 4 bytes length, bytes; one without bytes ends a table
head record, for each table (record, blocks, record), end record
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from typing import IO, Any

from studylab.backups.rules.problems import BackupDamaged, BackupProblem

FORMAT = 1
_LONGEST = 1 << 26
_BLOCK = 1 << 18


@dataclass(frozen=True, slots=True)
class TableShape:
    """One table: its columns in the order of the copied lines, and what the lines are ordered by (SQL)."""

    name: str
    columns: tuple[str, ...]
    order: str


@dataclass(frozen=True, slots=True)
class Sums:
    """How many rows a table has, and SHA-256 over its copied lines in order."""

    rows: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Head:
    """What was known before the first table: by what it was made, what it needs, and what must be found again.

    `migrations` are "app.name"; `keys` name the keys that open what is sealed in the tables by eight hex digits each;
    `commitments` are those of the sealed lists by study, `schema` a line for each column, constraint, index and trigger.
    """

    program: str
    snapshot_at: str
    server: str
    migrations: tuple[str, ...]
    keys: dict[str, str]
    last_link: int
    last_hash: str
    commitments: dict[str, str]
    schema: tuple[str, ...]
    tables: tuple[TableShape, ...]
    format: int = FORMAT


@dataclass(frozen=True, slots=True)
class End:
    """What is known once all is read: the sums of every table, and where each sequence stands."""

    tables: dict[str, Sums] = field(default_factory=dict)
    sequences: dict[str, tuple[int, bool]] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """Rows of all tables."""
        return sum(one.rows for one in self.tables.values())


class Summing:
    """Counts the lines of a table and hashes them as they pass."""

    def __init__(self) -> None:
        self._digest, self.rows = hashlib.sha256(), 0

    def take(self, block: bytes) -> int:
        """Take in a block; returns how many lines end in it. A line break inside a value is written as two letters."""
        self._digest.update(block)
        lines = block.count(b"\n")
        self.rows += lines
        return lines

    @property
    def sums(self) -> Sums:
        """What has passed."""
        return Sums(self.rows, self._digest.hexdigest())


def write_record(target: IO[bytes], record: object) -> None:
    """Write a head, a table's name, its sums or the end."""
    raw = json.dumps(_plain(record), sort_keys=True).encode()
    target.write(len(raw).to_bytes(4, "big") + raw)


def write_block(target: IO[bytes], block: bytes) -> None:
    """Write a piece of a table; an empty one ends it."""
    target.write(len(block).to_bytes(4, "big"))
    target.write(block)


def read_content_head(source: IO[bytes]) -> Head:
    """Read the head. BackupProblem when a newer version of the program wrote it."""
    raw = _record(source)
    if raw.get("format") != FORMAT:
        raise BackupProblem(
            f"The backup has the form {raw.get('format')}, which this version of the program does not know."
        )
    shapes = tuple(
        TableShape(one["name"], tuple(one["columns"]), one["order"]) for one in raw.pop("tables")
    )
    raw["migrations"], raw["schema"] = tuple(raw["migrations"]), tuple(raw["schema"])
    return Head(**raw, tables=shapes)


def read_tables(source: IO[bytes], head: Head) -> Iterator[tuple[TableShape, Iterator[bytes]]]:
    """Return each table with its blocks, which must be read before the next table is asked for."""
    for shape in head.tables:
        if _record(source) != {"table": shape.name}:
            raise BackupDamaged(f"The backup has another table where {shape.name} was to come.")
        summing = Summing()
        yield shape, _summed(_blocks(source), summing)
        told = _record(source)
        if (told.get("rows"), told.get("sha256")) != (summing.rows, summing.sums.sha256):
            raise BackupDamaged(f"The rows of {shape.name} are not those that were written.")


def read_end(source: IO[bytes]) -> End:
    """Read the end, and make sure that nothing follows."""
    raw = _record(source)
    if source.read(1):
        raise BackupDamaged("Something follows the end of the backup's content.")
    tables = {name: Sums(rows, digest) for name, (rows, digest) in raw["tables"].items()}
    sequences = {name: (value, called) for name, (value, called) in raw["sequences"].items()}
    return End(tables, sequences)


def end_record(end: End) -> dict[str, Any]:
    """Return the end as plain JSON."""
    return {
        "tables": {name: [one.rows, one.sha256] for name, one in end.tables.items()},
        "sequences": {name: list(one) for name, one in end.sequences.items()},
    }


def sum_differences(expected: dict[str, Sums], found: dict[str, Sums]) -> list[str]:
    """Return a sentence for each table whose rows are not those that were backed up."""
    said = []
    for name in sorted(expected):
        want, have = expected[name], found.get(name)
        if have is None:
            said.append(f"{name} was not restored.")
        elif have.rows != want.rows:
            said.append(f"{name} has {have.rows} rows, the backup {want.rows}.")
        elif have.sha256 != want.sha256:
            said.append(f"{name} has as many rows as the backup, but not the same ones.")
    return said


def schema_differences(expected: Iterable[str], found: Iterable[str]) -> list[str]:
    """Return a sentence for each column, constraint, index or trigger that is missing, or that was not there."""
    want, have = set(expected), set(found)
    said = [f"Missing in the restored database: {line}" for line in sorted(want - have)]
    return said + [
        f"Not in the database that was backed up: {line}" for line in sorted(have - want)
    ]


def _plain(record: object) -> object:
    return asdict(record) if isinstance(record, Head) else record


def _record(source: IO[bytes]) -> dict[str, Any]:
    raw = _exactly(source, _length(source))
    try:
        found = json.loads(raw)
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise BackupDamaged("A part of the backup's content is not what was to come there.")
    return found


def _blocks(source: IO[bytes]) -> Iterator[bytes]:
    while left := _length(source):
        while left:
            block = _exactly(source, min(left, _BLOCK))
            left -= len(block)
            yield block


def _summed(blocks: Iterator[bytes], summing: Summing) -> Iterator[bytes]:
    for block in blocks:
        summing.take(block)
        yield block


def _length(source: IO[bytes]) -> int:
    length = int.from_bytes(_exactly(source, 4), "big")
    if length > _LONGEST:
        raise BackupDamaged("A part of the backup's content is longer than any can be.")
    return length


def _exactly(source: IO[bytes], length: int) -> bytes:
    found = source.read(length)
    if len(found) != length:
        raise BackupDamaged("The backup's content ends before its end.")
    return found
