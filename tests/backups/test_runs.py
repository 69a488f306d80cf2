"""Backups as work: asked for, made, tried, stopped, taken up again, and what of it the status and the pages say."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as django_settings
from django.core.management import CommandError, call_command
from django.urls import reverse

from studylab import clock
from studylab.access import system_actor
from studylab.audit.models import Event
from studylab.backups import trial
from studylab.backups.models import BackupRun
from studylab.backups.rules.problems import BackupProblem
from studylab.backups.selectors import backups_line
from studylab.backups.services import runs
from studylab.backups.services.runs import backup_ask, backup_stop, work
from studylab.backups.tasks import tick
from studylab.errors import Conflict
from studylab.operation.rules.status import State
from tests import cast

pytestmark = pytest.mark.django_db
HOUSE = system_actor("test")


def asked(**more: Any) -> BackupRun:
    return backup_ask(**{"with_trial": False, "actor": HOUSE, "knock": False, **more})


def test_a_backup_is_made_once_and_the_status_knows(study: Any, place: Path) -> None:
    assert backups_line(clock.now()).text.startswith("None made yet")
    run = asked()
    with pytest.raises(Conflict, match="being made already"):
        asked()
    assert work(run.pk)
    assert not work(run.pk), "a repeated knock does nothing"
    run.refresh_from_db()
    assert (run.state, run.trouble, len(run.sha256)) == ("done", "", 64)
    assert Path(run.place.partition(", ")[2]).stat().st_size == run.size
    line = backups_line(clock.now())
    assert (line.state, "within the hour" in line.text) == (State.LOOK, True), "not tried yet"
    Path(run.place.partition(", ")[2]).unlink()
    assert "That file is gone" in backups_line(clock.now()).text


def test_the_tick_makes_one_a_day_and_none_within_the_hour_after_a_failure(
    study: Any, place: Path, monkeypatch: Any, django_capture_on_commit_callbacks: Any
) -> None:
    monkeypatch.setattr(trial, "attempt", lambda *_args, **_more: {"rows": 1})
    begin = clock.now()
    for _ in range(2):
        tick.run()
    run = BackupRun.objects.get()
    assert (run.state, run.with_trial) == ("waiting", True)
    with clock.travel(begin + timedelta(seconds=30)):
        tick.run()  # its message was lost
    run.refresh_from_db()
    assert (run.state, run.trial) == ("done", "same")
    for hours, many in ((23, 1), (25, 2)):
        with clock.travel(begin + timedelta(hours=hours)):
            tick.run()
        assert BackupRun.objects.count() == many
    place.rename(place.with_suffix(".away"))
    place.write_text("in the way")
    for hours, many in ((26, 2), (26.5, 2), (27.1, 3)):
        with clock.travel(begin + timedelta(hours=hours)):
            tick.run()
        assert BackupRun.objects.count() == many
    assert "No backup can be written" in BackupRun.objects.filter(state="failed").get().trouble


def test_a_worker_that_died_is_followed_by_another(study: Any, place: Path) -> None:
    run = asked()
    began = clock.now()
    BackupRun.objects.filter(pk=run.pk).update(
        state="running", attempt=1, claimed_at=began, beat_at=began
    )
    with clock.travel(began + timedelta(minutes=4)):
        tick.run()
    run.refresh_from_db()
    assert (run.state, run.attempt) == ("done", 2)


def test_one_that_is_stopped_leaves_no_file(
    study: Any, place: Path, lead: Any, monkeypatch: Any
) -> None:
    actor = cast.actor_of(lead, study)
    run = asked(actor=actor)
    noted = runs._note

    def stop_first(mine: BackupRun, stage: str, rows: int) -> None:
        if mine.stop_at is None and not BackupRun.objects.filter(stop_at__isnull=False).exists():
            backup_stop(run=mine, actor=actor)
        noted(mine, stage, rows)

    monkeypatch.setattr(runs, "_note", stop_first)
    work(run.pk)
    run.refresh_from_db()
    assert run.state == "stopped"
    assert not list(place.glob("*.backup*"))
    told = Event.objects.filter(subject_type="backup").values_list("action", flat=True)
    assert list(told.order_by("pk")) == ["backup.asked", "backup.stopped"]


def test_old_files_go_but_not_the_newest_that_was_tried(
    study: Any, place: Path, settings: Any
) -> None:
    place.mkdir()
    names = [f"studylab-2025010{day}T020000Z.backup" for day in range(1, 6)]
    for name in names:
        (place / name).write_bytes(b"old")
    (place / "notes.txt").write_text("not ours")
    now = clock.now()
    BackupRun.objects.create(
        asked_at=now, asked_by="x", state="done", ended_at=now, snapshot_at=now - timedelta(days=1), size=3,
        sha256="0" * 64, place=f"on lab, {place / names[1]}", trial="same", tried_at=now,
    )  # fmt: skip
    object.__setattr__(settings.BACKUP, "keep", 3)
    work(asked().pk)
    left = {path.name for path in place.iterdir()} - {".making-a-backup", "notes.txt"}
    made = BackupRun.objects.get(trial="", state="done").place.rsplit("/", 1)[1]
    assert left == {made, names[4], names[3], names[1]}


@pytest.mark.parametrize(
    ("raised", "outcome"),
    [(trial.NotTried("May not."), "not_begun"), (BackupProblem("Other."), "differs")],
)
def test_a_trial_that_fails_is_told_and_keeps_the_file(
    raised: BackupProblem, outcome: str, study: Any, place: Path, monkeypatch: Any
) -> None:
    def fails(*_args: Any, **_more: Any) -> None:
        raise raised

    monkeypatch.setattr(trial, "attempt", fails)
    with pytest.raises(CommandError, match=raised.message):
        call_command("backup", verify=True)
    run = BackupRun.objects.get()
    assert (run.state, run.trial, run.trial_problem) == ("done", outcome, raised.message)
    assert backups_line(clock.now()).state == (State.WRONG if outcome == "differs" else State.LOOK)


def test_who_looks_after_the_site_sees_backups_among_the_running_work(
    study: Any, lead: Any, coordinator: Any, place: Path, client_of: Any
) -> None:
    work(asked().pk)
    page = client_of(lead).get(reverse("set_up_running", args=[study.slug])).content.decode()
    assert "Backups" in page
    assert "The whole site" in page
    assert django_settings.BACKUP.key is not None
    other = (
        client_of(coordinator).get(reverse("set_up_running", args=[study.slug])).content.decode()
    )
    assert "The whole site" not in other
