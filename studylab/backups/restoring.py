"""Restoring: what a backup needs, whether the database may be filled, its tables, its rows, and what is looked at after.

The tables are made by the migrations that the backup names, so that it can be loaded by any later version of the program,
which then migrates on.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import DatabaseError, connection, transaction
from django.db.migrations.executor import MigrationExecutor

from studylab.allocation.models import AllocationList
from studylab.allocation.selectors.verification import list_differences
from studylab.audit.models import Link
from studylab.audit.walk import Walk
from studylab.backups import catalog, files, loading
from studylab.backups.after import settle_after
from studylab.backups.making import Backup, Told, keys_needed, make, quiet, read
from studylab.backups.rules.content import schema_differences
from studylab.backups.rules.problems import BackupProblem
from studylab.operation.schema import UNFINISHED
from studylab.participants.contact import ContactUnreadable, box_open
from studylab.participants.models import Contact

Said = Callable[[str], None]
_TOLD_BY = (
    "people_user",
    "studies_study",
    "audit_event",
)  # a database that holds any of these is in use
_LINKS = 20_000
_PATIENCE = 10  # seconds until the server has noticed that whoever was stopped or killed is gone


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put back and what was found afterwards; `problems` are sentences, none when all agree."""

    backup: Backup
    links: int
    lists: int
    problems: tuple[str, ...]


def restore(
    path: Path, *, replace: str = "", without_keys: bool = False, without_copy: bool = False, said: Said, told: Told = quiet,
) -> Restored:  # fmt: skip
    """Restore into the database of the settings and look at what came of it. BackupProblem leaves no half of it.

    What `replace` lets go is kept as a backup of its own first, unless that is not wanted.
    """
    backup = read(path)
    _require_known(backup)
    if not without_keys:
        require_keys(backup)
    _require_alone(replace)
    said(describe(backup))
    if _is_begun(backup):
        said(
            "Its rows are back already, by a restoration that was interrupted; going on with that."
        )
        older = True
    else:
        older = _rows_back(backup, replace, without_copy, said, told)
    if older:
        said("Bringing the tables up to date.")
        call_command("migrate", verbosity=0, interactive=False)
        with transaction.atomic():
            settle_after(backup)
            _ask(f"DROP TABLE {UNFINISHED}")
    said("Looking at what was restored.")
    return look(backup, with_keys=not without_keys)


def _rows_back(backup: Backup, replace: str, without_copy: bool, said: Said, told: Told) -> bool:
    """Put the rows back, all or none; whether there are migrations to follow, before which nothing can be held.

    Until then a table keeps web and workers away: a kill in between must not open the site.
    """
    filled = _require_free(replace)
    if filled and not without_copy:
        said(f"What is in the database is kept in {_safety_copy()}.")
    if replace and not _has_the_tables_of(backup):
        _drop_tables()
    said("Making the tables by their migrations.")
    older = _migrate_to(backup)
    said(f"Putting back {backup.end.rows} rows, all or none.")
    with transaction.atomic():
        loading.load(backup.path, told)
        if older:
            _ask(f"CREATE TABLE {UNFINISHED} AS SELECT %s::text AS backup", _mark(backup))
        else:
            settle_after(backup)
    return older


def _is_begun(backup: Backup) -> bool:
    """Whether rows of this very backup are back, and only what follows them is not done."""
    if not _ask("SELECT to_regclass(%s) IS NOT NULL", UNFINISHED):
        return False
    return _ask(f"SELECT backup FROM {UNFINISHED}") == _mark(backup)  # noqa: S608 - our own name


def _mark(backup: Backup) -> str:
    return f"{backup.head.snapshot_at} {backup.head.last_hash}"


def _ask(statement: str, *given: str) -> Any:
    """Do something in the database; return the first value that it answers, if any."""
    with connection.cursor() as cursor:
        cursor.execute(statement, given)
        return cursor.fetchone()[0] if cursor.description else None


def describe(backup: Backup) -> str:
    """Return in words what a backup holds and needs."""
    head = backup.head
    keys = ", ".join(f"{name} {number}" for name, number in sorted(head.keys.items()))
    sealed = (
        ", ".join(f"{study} {value[:16]}…" for study, value in sorted(head.commitments.items()))
        or "none"
    )
    return (
        f"Backup of {backup.snapshot_at:%Y-%m-%d %H:%M:%S} UTC by version {head.program} on PostgreSQL {head.server}: "
        f"{backup.end.rows} rows in {len(head.tables)} tables, {backup.end.tables['audit_link'].rows} seals of the record "
        f"(the last {head.last_hash[:16]}…), sealed lists: {sealed}. It needs {keys}."
    )


def require_keys(backup: Backup) -> None:
    """Refuse while the keys at hand are not those that open what is sealed inside."""
    own = keys_needed()
    wrong = [
        f"{name} must be the key {number}, this one is {own.get(name)}"
        for name, number in sorted(backup.head.keys.items())
        if own.get(name) != number
    ]
    if wrong:
        raise BackupProblem(
            f"{'; '.join(wrong)}. Set what was in use then, or restore with --without-keys: sealed lists and contact "
            "details stay closed until the right keys are set."
        )


def look(backup: Backup, *, with_keys: bool) -> Restored:
    """Walk along every seal, compare the published commitments, and open what the keys are to open."""
    problems: list[str] = []
    walk, more = Walk(), True
    while more:
        more, _, problem = walk.step(_LINKS)
        problems += [problem] if problem else []
    kept = Link.objects.filter(pk=backup.head.last_link).values_list("hash", flat=True).first()
    if backup.head.last_link and kept != backup.head.last_hash:
        problems.append("The last seal is not the one that the backup names.")
    lists = list(AllocationList.objects.select_related("study", "protocol_version"))
    if {one.study.slug: one.commitment for one in lists} != backup.head.commitments:
        problems.append("The published commitments are not those that the backup names.")
    if with_keys:
        for one in lists:
            problems += [f"{one.study.slug}: {sentence}" for sentence in list_differences(one)]
        problems += _contact_problems()
    return Restored(backup, walk.links, len(lists), tuple(problems))


def _contact_problems() -> list[str]:
    box = Contact.objects.select_related("person").filter(erased_at=None).order_by("-pk").first()
    try:
        if box is not None:
            box_open(bytes(box.box), box.person.uid)
    except ContactUnreadable as problem:
        return [problem.message]
    return []


def _require_known(backup: Backup) -> None:
    known = {f"{app}.{name}" for app, name in MigrationExecutor(connection).loader.disk_migrations}
    unknown = sorted(set(backup.head.migrations) - known)
    if unknown:
        raise BackupProblem(
            f"The backup was made by version {backup.head.program}, which has tables that this version does not know "
            f"({unknown[0]}). Restore it with that version or a later one."
        )


def _require_alone(replace: str) -> None:
    """Refuse a database that is in use, or that is not the one whose name was given."""
    name = str(connection.settings_dict["NAME"])
    if replace and replace != name:
        raise BackupProblem(f"--replace must name the database, {name}, not {replace}.")
    until = time.monotonic() + _PATIENCE
    while _others():
        if time.monotonic() > until:
            raise BackupProblem(
                f"Something else is connected to the database {name}. Stop web, workers and scheduler first."
            )
        time.sleep(0.2)


def _others() -> int:
    """Return how many others are connected to this database now, also where this transaction has looked before."""
    _ask("SELECT pg_stat_clear_snapshot()")
    return int(
        _ask(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
            " AND backend_type = 'client backend'"
        )
    )


def _require_free(replace: str) -> bool:
    """Refuse a database that holds something, unless its name was given; whether it holds something."""
    name = str(connection.settings_dict["NAME"])
    filled = [one for one in _TOLD_BY if _has_rows(one)]
    if filled and not replace:
        raise BackupProblem(
            f"The database {name} is not empty. Make a new one and restore into that, so that this one stays to be "
            f"looked at; or, to put the backup in its place, restore with --replace {name}."
        )
    return bool(filled)


def _safety_copy() -> Path:
    """Keep what is in the database, under a name that no later backup lets go; BackupProblem when that cannot be."""
    try:
        return make(beginning=files.REPLACED).backup.path
    except (BackupProblem, DatabaseError) as problem:
        why = problem.message if isinstance(problem, BackupProblem) else str(problem).strip()
        raise BackupProblem(
            f"What is in the database could not be kept first, so nothing was replaced: {why} To lose it all the same, "
            "add --without-safety-copy."
        ) from problem


def _has_the_tables_of(backup: Backup) -> bool:
    """Whether the database has the backup's tables and guards already, so that only rows change, all in one transaction."""
    if not _ask("SELECT to_regclass('django_migrations') IS NOT NULL"):
        return False
    with connection.cursor() as cursor:
        return catalog.migrations(cursor) == backup.head.migrations and not schema_differences(
            backup.head.schema, catalog.schema(cursor)
        )


def _has_rows(table: str) -> bool:
    if not _ask("SELECT to_regclass(%s) IS NOT NULL", table):
        return False
    return bool(_ask(f"SELECT EXISTS (SELECT FROM {catalog.quoted(table)})"))  # noqa: S608 - our own name


def _drop_tables() -> None:
    """Take away the tables and functions of the schema, not what belongs to an extension."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT format('DROP TABLE %I CASCADE', relname) FROM pg_class c WHERE relkind = 'r'"
            " AND relnamespace = current_schema()::regnamespace"
            " AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = c.oid AND d.deptype = 'e')"
            " UNION ALL SELECT format('DROP FUNCTION %s', p.oid::regprocedure) FROM pg_proc p"
            " WHERE pronamespace = current_schema()::regnamespace"
            " AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e') ORDER BY 1 DESC"
        )
        for (statement,) in cursor.fetchall():
            cursor.execute(statement)


def _migrate_to(backup: Backup) -> bool:
    """Make the tables as they were; whether this version has migrations that the backup had not."""
    executor = MigrationExecutor(connection)
    named = [one.partition(".") for one in backup.head.migrations]
    wanted = {(app, name) for app, _, name in named}
    beyond = set(executor.loader.applied_migrations) - wanted
    if beyond:
        app, name = sorted(beyond)[0]
        raise BackupProblem(
            f"The database has tables that are newer than the backup ({app}.{name}). Restore into one that has none."
        )
    nodes = executor.loader.graph.node_map
    below = {parent.key for one in wanted for parent in nodes[one].parents}
    executor.migrate(sorted(wanted - below))
    return bool(set(executor.loader.disk_migrations) - wanted)
