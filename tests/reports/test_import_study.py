"""A study read in from its export is the same study: exported again, the same bytes. Whatever was touched is refused."""

import csv
import hashlib
import io
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import transaction

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.participants.models import Contact, Participant
from studylab.studies.models import Study
from tests import cast
from tests.reports.export import Unpacked, exported
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]
AT = datetime(2026, 12, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(django_db_setup: Any, django_db_blocker: Any) -> Unpacked:
    """The export of a study that is gone again: one volunteer up to after the dose."""
    with django_db_blocker.unblock(), transaction.atomic():
        case = Case()
        case.prepare_study()
        case.screen()
        case.book()
        case.visit_one()
        case.begin_two()
        case.give()
        case.after_dose()
        with clock.travel(case.t):
            found = exported(case.study, made_at=AT)
        transaction.set_rollback(True)
    return found


def on_disk(made: Unpacked, folder: Path, name: str = "export.zip") -> Path:
    path = folder / name
    path.write_bytes(made.content)
    return path


def rebuilt(made: Unpacked, name: str, change: Callable[[str], str]) -> Unpacked:
    """Change one file and the hashes with it, as somebody would who knows how the ZIP is made."""
    target, sums = io.BytesIO(), made.text("SHA256SUMS")
    text = change(made.text(name))
    assert text != made.text(name)
    old, new = (hashlib.sha256(one.encode()).hexdigest() for one in (made.text(name), text))
    with zipfile.ZipFile(target, "w") as archive:
        for one in made.names():
            content = text if one == name else made.text(one)
            archive.writestr(one, sums.replace(old, new) if one == "SHA256SUMS" else content)
    return Unpacked(target.getvalue())


@pytest.mark.shows("A-23")
def test_exported_again_it_is_the_same_bytes(made: Unpacked, tmp_path: Path) -> None:
    out = io.StringIO()
    call_command("import_study", str(on_disk(made, tmp_path)), stdout=out)
    assert "1 volunteers" in out.getvalue()
    study = Study.objects.get()
    assert Participant.objects.get().doses.count() == 1
    assert not Contact.objects.exists()
    assert Event.objects.filter(action=Action.STUDY_IMPORTED, study_id=study.pk).count() == 1
    again = exported(study, made_at=AT)
    assert [name for name in made.names() if made.text(name) != again.text(name)] == []
    assert again.content == made.content
    # What is written next goes on after what was read in.
    assert cast.make_user("Nora New").pk > max(int(row["id"]) for row in made.rows("staff.csv"))


def test_a_site_with_a_study_takes_no_other(study: Any, made: Unpacked, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="not empty"):
        call_command("import_study", str(on_disk(made, tmp_path)))


def test_a_changed_file_is_refused_and_nothing_stays(made: Unpacked, tmp_path: Path) -> None:
    changed = rebuilt(made, "README.txt", lambda text: text + "x")
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        for one in changed.names():
            archive.writestr(one, (made if one == "SHA256SUMS" else changed).text(one))
    with pytest.raises(CommandError, match=r"README\.txt was changed after the export"):
        call_command("import_study", str(on_disk(Unpacked(target.getvalue()), tmp_path)))
    with pytest.raises(CommandError, match="no export of a study"):
        call_command("import_study", __file__)
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("import_study", str(tmp_path / "none.zip"))
    assert not Study.objects.exists()


def test_a_value_from_before_the_consent_is_refused_by_the_database(
    made: Unpacked, tmp_path: Path
) -> None:
    """Field case F-04: data measured before this study's consent are not read in, even with hashes that fit."""
    row = made.rows("vital_sets.csv")[0]
    earlier = rebuilt(
        made,
        "vital_sets.csv",
        lambda text: text.replace(row["taken_at"], row["taken_at"].replace("2026-", "2025-"), 1),
    )
    with pytest.raises(
        CommandError, match=r"vital_sets\.csv holds a row .* no consent that was given before"
    ):
        call_command("import_study", str(on_disk(earlier, tmp_path)))
    assert not Participant.objects.exists()


def test_a_cell_that_is_no_value_is_named(made: Unpacked, tmp_path: Path) -> None:
    def no_day(text: str) -> str:
        rows = list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("# ")))
        return text.replace(rows[0]["signed_at"], "yesterday", 1)

    with pytest.raises(CommandError, match=r"consents\.csv: signed_at cannot be read: yesterday"):
        call_command("import_study", str(on_disk(rebuilt(made, "consents.csv", no_day), tmp_path)))
