"""A database of a test's own beside the test database, with the tables of a released version, as that release left them."""

import lzma
import os
from base64 import urlsafe_b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connection, connections

from studylab.backups import catalog, trial
from studylab.backups.catalog import quoted

RELEASED = Path(__file__).parent / "released"


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """That database: its name, the release, where backups go, and what the tables of this version look like."""

    name: str
    release: str
    place: Path
    newest: tuple[str, ...]


def releases() -> list[str]:
    """Name every release that left its tables and a backup, the oldest first."""
    names = [path.name.removesuffix(".sql.xz") for path in RELEASED.glob("*.sql.xz")]
    return sorted(names, key=lambda name: [int(part) for part in name.split(".")])


def backup_of(release: str) -> Path:
    """Where its backup lies."""
    return RELEASED / f"{release}.backup"


@pytest.fixture
def beside(
    request: pytest.FixtureRequest, db: None, place: Path, monkeypatch: Any
) -> Iterator[Elsewhere]:
    """Work in such a database, of the newest release when the test names none; so do processes that are started."""
    release = getattr(request, "param", releases()[-1])
    key = urlsafe_b64encode(settings.BACKUP.key).decode()
    monkeypatch.setenv("STUDYLAB_BACKUP_KEY", key)
    monkeypatch.setenv("STUDYLAB_BACKUP_DIR", str(place))
    newest, name = shape(), f"{connection.settings_dict['NAME']}_elsewhere"
    monkeypatch.setenv("DATABASE_URL", trial.address_of(name))
    tables = lzma.decompress((RELEASED / f"{release}.sql.xz").read_bytes()).decode()
    with _other(name):
        sql(tables)
        yield Elsewhere(name, release, place, newest)


@contextmanager
def _other(name: str) -> Iterator[None]:
    """Let this process work in a new database. The test's own transaction stays open on the connection that it has."""
    own, given = connections[DEFAULT_DB_ALIAS], connections.settings[DEFAULT_DB_ALIAS]
    before = given["NAME"]
    _without(name)
    with own._nodb_cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {quoted(name)}")
    given["NAME"] = name  # for every connection that is made from here on
    other = connections[DEFAULT_DB_ALIAS] = connections.create_connection(DEFAULT_DB_ALIAS)
    try:
        yield
    finally:
        other.close()
        given["NAME"], connections[DEFAULT_DB_ALIAS] = before, own
        _without(name)


def _without(name: str) -> None:
    with connection._nodb_cursor() as cursor:
        cursor.execute(f"DROP DATABASE IF EXISTS {quoted(name)} WITH (FORCE)")


def sql(text: str) -> list[Any]:
    """Ask the database."""
    with connection.cursor() as cursor:
        cursor.execute(text)
        return list(cursor.fetchall()) if cursor.description else []


def shape() -> tuple[str, ...]:
    """Return what the tables look like."""
    with connection.cursor() as cursor:
        return catalog.schema(cursor)


def sums() -> Any:
    """Return what is in the tables."""
    with connection.cursor() as cursor:
        catalog.settle(cursor)
        return catalog.sums_of(cursor, catalog.tables(cursor))


def later_version() -> dict[str, str]:
    """What a process of a later version is told."""
    return {**os.environ, "DJANGO_SETTINGS_MODULE": "tests.backups.later.settings"}
