"""A migration that is killed in its middle on a filled database, and the same of a restoration that migrates on."""

import json
import signal
import subprocess
import sys
from typing import Any

import psycopg
import pytest
from django.conf import settings
from django.db import connection
from django.db.migrations.loader import MigrationLoader

from studylab.backups import restoring, trial
from studylab.operation import schema
from tests.backups.elsewhere import Elsewhere, backup_of, later_version, sql, sums
from tests.backups.elsewhere import beside as beside  # a fixture
from tests.processes import until

pytestmark = [pytest.mark.django_db, pytest.mark.database, pytest.mark.slow]

# Web processes of the later version before its migrations are whole and after, in one process to save starting two.
SERVED = """
import json
from django.core.management import call_command
from django.db import connection
from django.test import RequestFactory
from studylab.wsgi import application

def served():
    codes = {}
    for path in ("/healthz/live", "/healthz/ready", "/", "/accounts/sign-in/"):
        environ = RequestFactory().get(path).environ
        page = application(environ, lambda status, headers: codes.update({path: int(status[:3])}))
        list(page)
        codes[path + " text"] = b"The site is being updated" in b"".join(page)
    return codes

before = served()
with connection.cursor() as cursor:
    cursor.execute("DELETE FROM later.waits")
call_command("migrate", verbosity=0)
print(json.dumps([before, served()]))
"""


def begun(*words: str) -> subprocess.Popen[bytes]:
    """Start a command of the later version."""
    return subprocess.Popen(
        [sys.executable, "-m", "django", *words], cwd=settings.BASE_DIR, env=later_version()
    )


def waits_in_the_middle() -> bool:
    """Whether the later version's second migration stands in its middle, seen from another database."""
    with psycopg.connect(trial.address_of("postgres")) as other:
        found = other.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep' AND query LIKE %s",
            ["SELECT pg_sleep(seconds)%"],
        ).fetchone()
    return found != (0,)


def killed(process: subprocess.Popen[bytes]) -> None:
    until(waits_in_the_middle)
    process.kill()
    assert process.wait() == -signal.SIGKILL


def columns() -> list[Any]:
    return sql("SELECT attname FROM pg_attribute WHERE attname = 'later_first'")


def test_every_migration_is_one_transaction() -> None:
    """So that a kill leaves each done or not begun. One that cannot be must say here why it may run twice."""
    found = MigrationLoader(None).disk_migrations
    assert len(found) > 10
    assert [key for key, one in found.items() if not one.atomic] == []


def test_a_migration_killed_in_its_middle_is_started_again(beside: Elsewhere) -> None:
    restoring.restore(backup_of(beside.release), said=lambda _text: None)
    many, before = sql("SELECT count(*) FROM participants_participant")[0][0], sums()
    sql("CREATE SCHEMA later; CREATE TABLE later.waits AS SELECT 60 AS seconds")
    killed(begun("migrate", "-v0"))
    assert columns() == [], "nothing of the migration that was killed"
    assert sql("SELECT many FROM later_tally") == [], "and all of the one before"
    ended = subprocess.run(
        [sys.executable, "-c", SERVED], cwd=settings.BASE_DIR, env=later_version(), check=True,
        capture_output=True, text=True,
    )  # fmt: skip
    half, whole = json.loads(ended.stdout.splitlines()[-1])
    assert [half[path] for path in ("/healthz/live", "/healthz/ready", "/")] == [200, 503, 503]
    assert half["/ text"]
    assert [whole[path] for path in ("/healthz/live", "/healthz/ready", "/")] == [200, 200, 302]
    assert len(columns()) == 1
    assert sql("SELECT many FROM later_tally") == [(many,)], "once, not twice"
    sql("ALTER TABLE participants_participant DROP COLUMN later_first; DROP TABLE later_tally")
    assert sums() == before


def test_a_restoration_killed_while_it_migrates_on_never_opens_the_site(
    beside: Elsewhere,
) -> None:
    """Rows are back by then, but nothing is held yet: messages would leave, doses would be given."""
    sql("CREATE SCHEMA later; CREATE TABLE later.waits AS SELECT 60 AS seconds")
    connection.close()
    words = ["restore", str(backup_of(beside.release))]
    killed(begun(*words))
    assert schema.UNFINISHED in schema.missing()
    sql("DELETE FROM later.waits")
    connection.close()
    assert begun(*words).wait() == 0
    assert schema.UNFINISHED not in schema.missing()
    assert (len(columns()), sql("SELECT count(*) FROM backups_restoration")) == (1, [(1,)])
