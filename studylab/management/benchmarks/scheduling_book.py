"""How many complete series are booked in a second from sixteen connections, against inserts of the same rows.

Works in a database of its own beside the present one, which is dropped again: bookings from many connections
cannot be taken back together. A handful is booked in the present database and taken back instead.
"""

import json
import os
import subprocess
import sys
import uuid
from typing import Any

import psycopg
from django.conf import settings
from django.db import connection
from psycopg import sql

from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back
from studylab.management.benchmarks.booking_crowd import measure
from studylab.studies.models import Study

CONNECTIONS = 16
REFERENCE = "plain SQL inserts of the same rows"
UNIT = "complete series per second, 16 connections"


@benchmark("scheduling.book", unit=UNIT, reference=REFERENCE, size=48, tiny=2)
def book_speed(size: int) -> Measured:
    """Book `size` series of different volunteers at once, look for double bookings, then insert the same rows."""
    if size < CONNECTIONS and not Study.objects.exists():
        with rolled_back():
            found = measure(size, 1)
    else:
        found = _apart(size)
    ours, plain = found["ours"], found["plain"]
    rows = Line(
        "scheduling.book.double", found["double"], "places booked twice", "none allowed", 1.0
    )
    return Measured(size / ours, plain / ours, (rows,))


def _apart(size: int) -> dict[str, Any]:
    """Measure in a process and a database of its own."""
    name = f"studylab_benchmark_{uuid.uuid4().hex[:8]}"
    given = connection.settings_dict
    parts = {"host": given["HOST"], "port": given["PORT"], "user": given["USER"], "password": given["PASSWORD"]}  # fmt: skip
    here = psycopg.conninfo.make_conninfo("", **{k: v for k, v in parts.items() if v})
    with psycopg.connect(here, dbname=given["NAME"], autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        try:
            return _measure(name, parts, size)
        finally:
            server.execute(
                sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
            )


def _measure(name: str, parts: dict[str, Any], size: int) -> dict[str, Any]:
    secret = f":{parts['password']}" if parts["password"] else ""
    address = f"postgresql://{parts['user']}{secret}@{parts['host']}:{parts['port'] or 5432}/{name}"
    environment = {**os.environ, "DATABASE_URL": address}
    crowd = "studylab.management.benchmarks.booking_crowd"
    for words in (["django", "migrate", "-v0"], [crowd, str(size)]):
        done = subprocess.run(
            [sys.executable, "-m", *words],
            env={**environment, "DJANGO_SETTINGS_MODULE": "studylab.settings"},
            cwd=settings.BASE_DIR,
            stdout=subprocess.PIPE,
            text=True,
            check=True,
        )
    found: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return found
