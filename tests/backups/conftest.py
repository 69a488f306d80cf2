"""A backup key and folder for each test, and an empty database with tables to restore into."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from studylab.backups.catalog import quoted
from studylab.backups.settings import BackupSettings
from tests import worlds

KEY = b"a key for backups, thirty-two b."


@pytest.fixture
def place(tmp_path: Path, settings: Any) -> Path:
    """The folder of the backups."""
    settings.BACKUP = BackupSettings(tmp_path / "backups", KEY)
    return tmp_path / "backups"


@pytest.fixture(scope="session")
def tables(django_db_setup: None, django_db_blocker: Any) -> Iterator[str]:
    """Name a database with every table and nothing in them; migrating one takes half a minute."""
    own = connection.settings_dict["NAME"]
    name = f"{own}_tables"
    with django_db_blocker.unblock():
        worlds.take_off()
        connection.close()  # nobody may be in a database that is copied
        with connection._nodb_cursor() as cursor:
            cursor.execute(f"DROP DATABASE IF EXISTS {quoted(name)}")
            cursor.execute(f"CREATE DATABASE {quoted(name)} TEMPLATE {quoted(own)}")
    yield name
    with django_db_blocker.unblock(), connection._nodb_cursor() as cursor:
        cursor.execute(f"DROP DATABASE {quoted(name)} WITH (FORCE)")
