"""Trying a backup: restored by the real command into a fresh database beside the site's own, looked at, and dropped."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, DatabaseError, connection, connections

from studylab.backups.catalog import quoted
from studylab.backups.rules.problems import BackupProblem

_MARK = "_trial_"  # in the names of databases that this program makes, and removes when an earlier trial left one
_NO_RIGHT = (
    "The backup was made, but not tried: the database role may not create a database to restore into. Allow it "
    "(ALTER ROLE {role} CREATEDB), or try each file by hand with: manage.py restore FILE."
)
_LONGEST = 3 * 3600  # seconds


class NotTried(BackupProblem):
    """The trial could not begin, which says nothing about the backup."""


def attempt(
    path: Path, *, heard: Callable[[], None] = lambda: None, template: str = ""
) -> dict[str, Any]:
    """Restore a backup beside the site's database and return what was found: rows, links, lists and seconds.

    `heard` is called every second and may raise to stop. `template` names a database that has the tables already.
    """
    began = time.monotonic()
    with _fresh(template) as url:
        found = _restored(path, url, heard)
    return {**found, "seconds": round(time.monotonic() - began)}


def address_of(name: str) -> str:
    """Return the address of another database on the site's server, as DATABASE_URL wants it."""
    given = connection.settings_dict
    query = {key: value for key, value in given["OPTIONS"].items() if key in _ADDRESS_OPTIONS}
    query |= {key: given[key.upper()] for key in ("host", "port") if given[key.upper()]}
    who = quote(given["USER"], safe="")
    if given["PASSWORD"]:
        who += f":{quote(given['PASSWORD'], safe='')}"
    return f"postgresql://{who + '@' if who else ''}/{quote(name, safe='')}?{urlencode(query)}"


_ADDRESS_OPTIONS = ("sslmode", "sslrootcert", "sslcert", "sslkey", "target_session_attrs")


@contextmanager
def _fresh(template: str) -> Iterator[str]:
    own = str(connection.settings_dict["NAME"])
    name = f"{own[:40]}{_MARK}{os.getpid()}"
    other = connections.create_connection(DEFAULT_DB_ALIAS)
    try:
        with other.cursor() as cursor:
            cursor.execute("SET statement_timeout = 0")
            _drop_left(cursor, own)
            model = f" TEMPLATE {quoted(template)}" if template else ""
            try:
                cursor.execute(f"CREATE DATABASE {quoted(name)}{model}")
            except DatabaseError as problem:
                if getattr(problem.__cause__, "sqlstate", "") == "42501":
                    role = connection.settings_dict["USER"]
                    raise NotTried(_NO_RIGHT.format(role=role)) from None
                raise NotTried(f"The backup was made, but not tried: {problem}") from None
        other.close()  # minutes may pass
        try:
            yield address_of(name)
        finally:
            with other.cursor() as cursor:
                cursor.execute(f"DROP DATABASE IF EXISTS {quoted(name)} WITH (FORCE)")
    finally:
        other.close()


def _drop_left(cursor: Any, own: str) -> None:
    """Drop databases of earlier trials that nobody is connected to any more."""
    cursor.execute(
        "SELECT datname FROM pg_database d WHERE datname LIKE %s AND pg_has_role(datdba, 'USAGE')"
        " AND NOT EXISTS (SELECT FROM pg_stat_activity a WHERE a.datid = d.oid)",
        [f"{own[:40]}{_MARK}%".replace("_", r"\_")],
    )
    for (name,) in cursor.fetchall():
        cursor.execute(f"DROP DATABASE IF EXISTS {quoted(name)}")


def _restored(path: Path, url: str, heard: Callable[[], None]) -> dict[str, Any]:
    words = [sys.executable, "-m", "django", "restore", str(path), "--as-json"]
    process = subprocess.Popen(
        words, cwd=settings.BASE_DIR, env=_environment(url), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        out, told = _awaited(process, heard)
    finally:
        process.kill()
        process.wait()
    try:
        found: dict[str, Any] = json.loads(out.splitlines()[-1])
    except (IndexError, ValueError):
        last = (told.strip().splitlines() or ["it said nothing"])[-1]
        raise BackupProblem(f"The trial ended before its end: {last[:300]}") from None
    if found["problems"]:
        raise BackupProblem(f"The trial found: {' '.join(found['problems'])[:500]}")
    return found


def _awaited(process: subprocess.Popen[str], heard: Callable[[], None]) -> tuple[str, str]:
    until = time.monotonic() + _LONGEST
    while True:
        try:
            return process.communicate(timeout=1)
        except subprocess.TimeoutExpired:
            heard()
            if time.monotonic() > until:
                raise BackupProblem("The trial took more than three hours and was ended.") from None


def _environment(url: str) -> dict[str, str]:
    outside = {name: value for name, value in os.environ.items() if name != "DATABASE_URL_FILE"}
    path = {"PYTHONPATH": str(settings.BASE_DIR)}
    return {**outside, **path, "DJANGO_SETTINGS_MODULE": "studylab.settings", "DATABASE_URL": url}
