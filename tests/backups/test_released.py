"""What a released version left is read by this one: restored, migrated to the newest, opened.

DEVELOPERS.md says how a release adds its files.
"""

import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.backups import files, restoring
from studylab.backups.making import make, read
from studylab.backups.models import MadeGood
from studylab.operation import schema
from studylab.participants.models import Participant
from studylab.people.models import Membership
from studylab.studies.models import Study
from tests.access.world import pages
from tests.backups.elsewhere import Elsewhere, backup_of, releases, shape, sql, sums
from tests.backups.elsewhere import beside as beside  # a fixture

pytestmark = [pytest.mark.django_db, pytest.mark.database, pytest.mark.slow]


def put_back(path: Path, **more: Any) -> list[str]:
    said: list[str] = []
    assert restoring.restore(path, said=said.append, **more).problems == ()
    return said


def member(study: Study, role: Role) -> Client:
    client = Client()
    client.force_login(Membership.objects.filter(study=study, role=role)[0].user)
    return client


@pytest.mark.parametrize("beside", releases(), indirect=True)
def test_the_record_of_a_release_is_read_and_its_pages_open(beside: Elsewhere) -> None:
    with clock.travel(read(backup_of(beside.release)).snapshot_at + timedelta(minutes=5)):
        put_back(backup_of(beside.release))
        assert schema.missing() == []
        assert shape() == beside.newest, "the same tables and guards as from nothing"
        assert Participant.objects.count() > 10
        assert MadeGood.objects.count() == Study.objects.count() == 1
        call_command("verify_audit")
        call_command("verify_allocation")
        study = Study.objects.get()
        for role in Role:
            home = member(study, role).get(reverse("home", args=[study.slug]))
            assert "The site was restored from a backup" in home.content.decode()
        reader = member(study, Role.MONITOR)
        plain = [one for one in pages() if one.in_study and len(one.kinds) == 1 and one.name]
        codes = {
            one.name: reader.get(reverse(one.name, args=[study.slug])).status_code for one in plain
        }  # type: ignore[arg-type]
        assert {name: code for name, code in codes.items() if code >= 500} == {}
        assert sum(code == 200 for code in codes.values()) > 25


@pytest.fixture
def filled(beside: Elsewhere, tmp_path: Path) -> Path:
    """Fill the database, and have a backup of that by this version, with the tables of this version."""
    put_back(backup_of(beside.release))
    return make().backup.path.rename(tmp_path / "of-this-version.backup")


def test_what_a_restoration_replaces_is_kept_first_and_can_be_had_back(
    beside: Elsewhere, filled: Path
) -> None:
    sql("UPDATE studies_study SET title = 'Another title'")
    before = sums()
    with pytest.raises(CommandError, match="is not empty"):
        call_command("restore", filled)
    said = put_back(filled, replace=beside.name)
    assert Study.objects.get().title != "Another title"
    (kept,) = beside.place.glob(f"{files.REPLACED}-*.backup")
    assert f"What is in the database is kept in {kept}." in said
    assert read(kept).end.tables == before
    put_back(kept, replace=beside.name, without_copy=True)
    assert Study.objects.get().title == "Another title"
    assert list(beside.place.glob(f"{files.REPLACED}-*")) == [kept], "none was wanted"


def test_what_cannot_be_kept_or_put_back_whole_leaves_what_was_there(
    beside: Elsewhere, filled: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = sums()
    shutil.rmtree(beside.place)
    beside.place.write_text("a file is in the way")
    with pytest.raises(CommandError, match="nothing was replaced: No backup can be written"):
        call_command("restore", filled, replace=beside.name)
    assert sums() == before
    monkeypatch.setattr(restoring, "settle_after", lambda _backup: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        put_back(filled, replace=beside.name, without_copy=True)
    assert sums() == before, "the tables are the same, so only rows change: all in one transaction"


def test_a_database_whose_guards_are_not_those_of_the_backup_is_emptied_to_the_last_table(
    filled: Path,
) -> None:
    backup = read(filled)
    assert restoring._has_the_tables_of(backup)
    ((name,),) = sql(
        "SELECT tgname FROM pg_trigger WHERE tgrelid = 'audit_link'::regclass AND NOT tgisinternal LIMIT 1"
    )
    sql(f"DROP TRIGGER {name} ON audit_link")
    assert not restoring._has_the_tables_of(backup)
    restoring._drop_tables()
    assert shape() == ()
    assert not restoring._has_the_tables_of(backup)
