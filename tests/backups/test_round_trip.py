"""A study in the middle of its life is backed up and put back: every row, seal and guard, or nothing at all."""

import logging
import signal
import subprocess
import sys
from base64 import urlsafe_b64encode
from pathlib import Path
from threading import Timer
from typing import Any

import psycopg
import pytest
from django.conf import settings as django_settings
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from studylab.audit.models import Event
from studylab.audit.services import seal_events
from studylab.audit.walk import passed_without_link
from studylab.backups import catalog, restoring, trial
from studylab.backups.after import settle_after
from studylab.backups.loading import NotTheSame, load
from studylab.backups.making import make, opened, read
from studylab.backups.rules.content import read_content_head, read_tables
from studylab.backups.rules.problems import BackupProblem
from studylab.backups.settings import BackupSettings
from studylab.people.models import User
from tests import cast
from tests.access.world import World
from tests.full_disk import full_after

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def seal(**more: int) -> None:
    """Seal the trail of the test's own transaction: it is settled once a later one has ended."""
    other = connection.copy()
    with other.cursor() as cursor:
        cursor.execute("SELECT pg_current_xact_id()")
    other.close()
    seal_events(**more)


def sums() -> Any:
    with connection.cursor() as cursor:
        catalog.settle(cursor)
        return catalog.sums_of(cursor, catalog.tables(cursor))


def alone() -> None:
    """End what an earlier test may have left connected: a session of somebody else is refused before anything is looked at."""
    other = connection.copy()
    with other.cursor() as cursor:
        cursor.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database()"
            " AND backend_type = 'client backend' AND pid NOT IN (pg_backend_pid(), %s)",
            [connection.connection.info.backend_pid],
        )
    other.close()


def test_everything_comes_back_as_it_was(middle: World, place: Path) -> None:
    seal()
    before = sums()
    written = make()
    backup = written.backup
    assert (before, backup.head.last_link > 0) == (backup.end.tables, True)
    assert backup.end.tables["audit_event"].rows > 300
    assert backup.path.stat().st_size == written.size
    assert backup.path.stat().st_mode & 0o077 == 0, "for this user alone"
    with connection.cursor() as cursor:  # what a fault may leave
        cursor.execute("ALTER TABLE participants_deviation DISABLE TRIGGER USER")
        cursor.execute("DELETE FROM participants_deviation")
        cursor.execute("ALTER TABLE participants_deviation ENABLE TRIGGER USER")
    cast.make_user("Came Later")
    load(backup.path)
    assert sums() == before
    found = restoring.look(backup, with_keys=True)
    assert (found.problems, found.links) == ((), backup.end.tables["audit_link"].rows)
    assert found.lists == len(backup.head.commitments) == 1
    made = cast.make_user("Comes After")
    assert made.pk > max(User.objects.exclude(pk=made.pk).values_list("pk", flat=True))


def test_the_trail_goes_on_after_a_restoration(middle: World, place: Path) -> None:
    seal(limit=100)
    backup = make().backup
    load(backup.path)
    settle_after(backup)
    own = Event.objects.filter(link=None).values_list("transaction_id", flat=True).distinct()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_current_xact_id()::text::bigint")
        assert set(own) == {cursor.fetchone()[0]}, "they settle with this transaction, not in years"
    assert passed_without_link() is None
    assert restoring.look(backup, with_keys=True).problems == ()
    with pytest.raises(DatabaseError, match="Cannot update"), transaction.atomic():
        Event.objects.filter(pk=Event.objects.order_by("pk").values("pk")[:1]).update(reason="x")


def test_a_restored_database_that_lacks_a_guard_or_a_row_is_refused(
    middle: World, place: Path
) -> None:
    backup = make().backup
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute(
                "SELECT tgname FROM pg_trigger WHERE tgrelid = 'audit_link'::regclass AND NOT tgisinternal"
            )
            name = cursor.fetchone()[0]
            cursor.execute(f"DROP TRIGGER {name} ON audit_link")
        with pytest.raises(
            NotTheSame, match=f"Missing in the restored database: trigger audit_link.{name}"
        ):
            load(backup.path)
        transaction.set_rollback(True)


def test_a_changed_row_or_a_lost_commitment_is_found_afterwards(middle: World, place: Path) -> None:
    seal()
    backup = make().backup
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("ALTER TABLE audit_event DISABLE TRIGGER USER")
        cursor.execute("ALTER TABLE allocation_allocationlist DISABLE TRIGGER USER")
        cursor.execute(
            "UPDATE audit_event SET actor_label = 'nobody' WHERE id = (SELECT min(id) + 3 FROM audit_event)"
        )
        cursor.execute("UPDATE allocation_allocationlist SET commitment = repeat('0', 64)")
    said = " ".join(restoring.look(backup, with_keys=True).problems)
    assert "does not match its seal" in said
    assert "The published commitments are not those that the backup names." in said


def test_no_arm_and_no_name_can_be_read_from_the_file_nor_from_what_is_in_it(
    middle: World, place: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    path = make().backup.path
    raw = path.read_bytes()
    for word in (b"propranolol", b"placebo", b"harbour.example", b"audit_event"):
        assert word not in raw
    with opened(path) as (_, content):
        head = read_content_head(content)
        texts = {shape.name: b"".join(blocks) for shape, blocks in read_tables(content, head)}
    for name, text in texts.items():
        if name.startswith("allocation_"):
            told_to_all = (
                b"or a look-alike placebo capsule"  # what any capsule of the batch looks like
            )
            assert b"propranolol" not in text, name
            assert b"placebo" not in text.replace(told_to_all, b""), name
    keys = (django_settings.ALLOCATION_KEY, django_settings.CONTACT_KEY, django_settings.BACKUP.key)
    everything = b"".join(texts.values()) + repr(head).encode() + caplog.text.encode()
    for key in keys:
        assert key not in everything
        assert key.hex().encode() not in everything


def test_keys_that_do_not_fit_are_named_and_never_shown(
    middle: World, place: Path, settings: Any
) -> None:
    backup = make().backup
    settings.CONTACT_KEY = b"another key of thirty-two bytes!"
    with pytest.raises(BackupProblem, match="STUDYLAB_CONTACT_KEY must be the key") as told:
        restoring.require_keys(backup)
    assert "another key" not in told.value.message
    assert restoring.look(backup, with_keys=True).problems, "contact details do not open"
    settings.BACKUP = BackupSettings(place, b"an other key for backups, 32 b..")
    with pytest.raises(BackupProblem, match="sealed with the key"):
        read(backup.path)
    settings.BACKUP = BackupSettings(None, None)
    with pytest.raises(BackupProblem, match="set STUDYLAB_BACKUP_DIR and STUDYLAB_BACKUP_KEY"):
        make()


def test_a_database_in_use_is_not_filled(middle: World, place: Path) -> None:
    alone()
    path = make().backup.path
    name = connection.settings_dict["NAME"]
    before = sums()
    with pytest.raises(CommandError, match=f"The database {name} is not empty"):
        call_command("restore", str(path))
    with pytest.raises(CommandError, match=f"--replace must name the database, {name}, not other"):
        call_command("restore", str(path), replace="other")
    assert sums() == before


def test_a_database_is_filled_once_those_who_were_stopped_are_gone(
    middle: World, place: Path, monkeypatch: Any
) -> None:
    alone()
    path = make().backup.path
    address = trial.address_of(connection.settings_dict["NAME"])
    going = Timer(1, psycopg.connect(address).close)
    going.start()
    with pytest.raises(CommandError, match="is not empty"):  # after waiting for it
        call_command("restore", str(path))
    going.join()
    monkeypatch.setattr(restoring, "_PATIENCE", 0.5)
    with psycopg.connect(address), pytest.raises(CommandError, match="Something else is connected"):
        call_command("restore", str(path))


def test_a_full_disk_leaves_no_file_and_says_so(middle: World, place: Path) -> None:
    with full_after(20_000), pytest.raises(BackupProblem, match="is full: no backup was made"):
        make()
    assert [path.name for path in place.iterdir()] == [".making-a-backup"]


def test_a_folder_that_cannot_be_written_says_so(db: Any, place: Path) -> None:
    place.write_text("a file is in the way")
    with pytest.raises(BackupProblem, match="No backup can be written in"):
        make()


_KILLED = """
import os, signal, django
django.setup()
from studylab.backups.making import make
make(lambda stage, rows: os.kill(os.getpid(), signal.SIGKILL))
"""


def test_a_kill_in_the_middle_leaves_nothing_that_looks_like_a_backup(db: Any, place: Path) -> None:
    key = urlsafe_b64encode(django_settings.BACKUP.key).decode()
    url = trial.address_of(connection.settings_dict["NAME"])
    given = {"STUDYLAB_BACKUP_KEY": key, "STUDYLAB_BACKUP_DIR": str(place)}
    ended = subprocess.run(
        [sys.executable, "-c", _KILLED], cwd=django_settings.BASE_DIR, check=False, env={**trial._environment(url), **given}
    )  # fmt: skip
    assert ended.returncode == -signal.SIGKILL
    left = [path for path in place.iterdir() if path.name != ".making-a-backup"]
    assert [path.suffix for path in left] == [".unfinished"]
    with pytest.raises(BackupProblem, match=r"is incomplete|not a backup"):
        read(left[0])
    made = make().backup
    assert {path.name for path in place.iterdir()} == {made.path.name, ".making-a-backup"}


def test_the_real_command_restores_into_a_fresh_database(
    tables: str, middle: World, place: Path, monkeypatch: Any
) -> None:
    seal()
    monkeypatch.setenv(
        "STUDYLAB_BACKUP_KEY", urlsafe_b64encode(django_settings.BACKUP.key).decode()
    )
    monkeypatch.setenv("STUDYLAB_BACKUP_DIR", str(place))
    written = make()
    found = trial.attempt(written.backup.path, template=tables)
    assert found["rows"] == written.backup.end.rows
    assert (found["links"], found["lists"], found["problems"]) == (
        written.backup.end.tables["audit_link"].rows,
        1,
        [],
    )
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_database WHERE datname LIKE '%%\\_trial\\_%%'")
        assert cursor.fetchone()[0] == 0, "dropped again"
