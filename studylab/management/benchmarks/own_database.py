"""A database of its own for a benchmark that cannot take back what it wrote: beside the present one, dropped at the end."""

import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import quote, urlencode

import psycopg
from django.conf import settings
from django.db import connection
from psycopg import sql


class OwnDatabase:
    """Runs modules of ours as processes on an empty database with all tables."""

    def __init__(self, address: str) -> None:
        self.address = address

    def run(self, *words: str, **more: str) -> str:
        """Run `python -m WORDS`, with these settings besides; return the last line that it printed."""
        given = {"DATABASE_URL": self.address, "DJANGO_SETTINGS_MODULE": "studylab.settings"}
        done = subprocess.run(
            [sys.executable, "-m", *words],
            env={**os.environ, **given, **more},
            cwd=settings.BASE_DIR,
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
        return done.stdout.strip().splitlines()[-1] if done.stdout.strip() else ""


def here() -> OwnDatabase:
    """Return the present database, for modules of ours as processes on it."""
    given = connection.settings_dict
    parts = {"host": given["HOST"], "port": given["PORT"], "user": given["USER"], "password": given["PASSWORD"]}  # fmt: skip
    return OwnDatabase(_address(given["NAME"], parts))


@contextmanager
def in_own_database() -> Iterator[OwnDatabase]:
    """Make the database with its tables; drop it at the end."""
    name = f"studylab_benchmark_{uuid.uuid4().hex[:8]}"
    given = connection.settings_dict
    parts = {"host": given["HOST"], "port": given["PORT"], "user": given["USER"], "password": given["PASSWORD"]}  # fmt: skip
    here = psycopg.conninfo.make_conninfo("", **{k: v for k, v in parts.items() if v})
    with psycopg.connect(here, dbname=given["NAME"], autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            database = OwnDatabase(_address(name, parts))
            database.run("django", "migrate", "-v0")
            yield database
        finally:
            server.execute(
                sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
            )


def _address(name: str, parts: dict[str, str]) -> str:
    secret = f":{quote(parts['password'])}" if parts["password"] else ""
    user = f"{quote(parts['user'])}{secret}@" if parts["user"] else ""
    where = {k: parts[k] for k in ("host", "port") if parts[k]}
    return f"postgresql://{user}/{name}?{urlencode(where)}"
