"""Asking for a backup, stopping one, and making it as work that shows how far it is."""

import logging
import socket
from contextlib import suppress
from pathlib import Path

from django.conf import settings
from django.db import connection, transaction
from django.db.models import F

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.backups import files, trial
from studylab.backups.making import Written, make
from studylab.backups.models import BackupRun
from studylab.backups.rules.keeping import may_go
from studylab.backups.rules.problems import BackupProblem
from studylab.celery import ring
from studylab.db import lock, service
from studylab.errors import Conflict
from studylab.operation.full_disk import is_full
from studylab.operation.lease import TakenOver, claim

log = logging.getLogger(__name__)
TOO_MUCH = "Run python3 manage.py backup, which does the same, and tell whoever runs the site."
WRONG = "Something went wrong while the backup was made; the program's log says what."
FULL = "The database's disk is full: no backup was made. Whoever runs the site frees some space."
_ROWS = "SELECT sum(greatest(reltuples, 0))::bigint FROM pg_class WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace"  # fmt: skip


class _Stopped(Exception):
    """Somebody asked for the backup to be stopped."""


@service
def backup_ask(*, with_trial: bool, actor: Actor, knock: bool = True) -> BackupRun:
    """Queue a backup; a worker makes it. Conflict while another one is being made."""
    require(actor, Cap.SITE_CARE)
    run = BackupRun.objects.create(
        asked_at=clock.now(), asked_by=actor.label, with_trial=with_trial
    )
    if not actor.is_system:
        _told(run, Action.BACKUP_ASKED, actor)
    if knock:
        transaction.on_commit(lambda: _knock(run), robust=True)
    return run


@service
def backup_stop(*, run: BackupRun, actor: Actor) -> BackupRun:
    """Stop a backup; nothing of it is kept, unless it only was being tried."""
    require(actor, Cap.SITE_CARE)
    current: BackupRun = lock(BackupRun, pk=run.pk)
    if not current.is_open:
        raise Conflict(f"This backup is {current.get_state_display()} already.")
    current.stop_at = clock.now()
    if current.state == BackupRun.State.WAITING:
        current.state, current.ended_at = BackupRun.State.STOPPED, current.stop_at
    current.save(update_fields=["stop_at", "state", "ended_at"])
    _told(current, Action.BACKUP_STOPPED, actor)
    return current


def _knock(run: BackupRun) -> None:
    from studylab.backups.tasks import make_backup

    ring(make_backup, run.pk)


def _told(run: BackupRun, action: Action, actor: Actor) -> None:
    audit(actor=actor, action=action, subject_type="backup", subject_code=run.uid)


def work(run_id: int, *, template: str = "") -> bool:
    """Make a waiting backup, and try it where that was asked for; False when there was nothing to do."""
    if not claim(BackupRun, run_id, clock.now(), stage="Beginning", total=_rows(), done=0):
        return False
    run = BackupRun.objects.get(pk=run_id)
    try:
        written = make(lambda stage, rows: _note(run, stage, rows))
        _write(run, **_known(written))
        if run.with_trial:
            with suppress(_Stopped):  # the file is whole and stays; it was only being tried
                _write(run, **_tried(run, written, template))
        _write(run, state="done", ended_at=clock.now(), stage="")
        _remove_old()
    except _Stopped:
        _end(run, "stopped", "")
    except TakenOver:
        log.warning("backup %s has passed to another worker", run.uid)
    except BackupProblem as problem:
        _end(run, "failed", problem.message)
    except Exception as problem:
        log.exception("backup %s failed", run.uid)
        _end(run, "failed", FULL if is_full(problem) else WRONG)
    return True


def _rows() -> int:
    """About how many rows there are, as the database last counted."""
    with connection.cursor() as cursor:
        cursor.execute(_ROWS)
        return int(cursor.fetchone()[0] or 0)


def _known(written: Written) -> dict[str, object]:
    return {
        "snapshot_at": written.backup.snapshot_at, "size": written.size, "sha256": written.sha256,
        "place": f"on {socket.gethostname()}, {written.backup.path}"[:400], "done": written.backup.end.rows,
        "total": written.backup.end.rows, "stage": "Restoring it for a trial", "beat_at": clock.now(),
    }  # fmt: skip


def _tried(run: BackupRun, written: Written, template: str) -> dict[str, object]:
    """Restore it into a fresh database; what that finds is known of the backup, and ends nothing."""
    problem, outcome = "", BackupRun.Trial.SAME
    try:
        trial.attempt(
            written.backup.path, heard=lambda: _note(run, "Restoring it for a trial", 0), template=template
        )  # fmt: skip
    except trial.NotTried as told:
        problem, outcome = told.message, BackupRun.Trial.NOT_BEGUN
    except BackupProblem as told:
        problem, outcome = told.message, BackupRun.Trial.DIFFERS
    return {"trial": outcome, "trial_problem": problem[:600], "tried_at": clock.now()}


def _note(run: BackupRun, stage: str, rows: int) -> None:
    """Note how far it is; ends the work when somebody asked for that or another worker has it."""
    _write(run, stage=stage, done=F("done") + rows, beat_at=clock.now())
    if BackupRun.objects.filter(pk=run.pk, stop_at__isnull=False).exists():
        raise _Stopped


def _write(run: BackupRun, **values: object) -> None:
    mine = BackupRun.objects.filter(pk=run.pk, attempt=run.attempt, state="running")
    if not mine.update(**values):
        raise TakenOver


def _end(run: BackupRun, state: str, trouble: str) -> None:
    mine = BackupRun.objects.filter(pk=run.pk, attempt=run.attempt, state="running")
    mine.update(state=state, trouble=trouble[:600], ended_at=clock.now(), stage="")


def _remove_old() -> None:
    """Let files go that are older than the newest that are kept."""
    place = files.folder()
    names = [path.name for path in place.glob(f"{files.USUAL}-*{files.ENDING}")]
    rows = BackupRun.objects.filter(trial=BackupRun.Trial.SAME).order_by("-id")
    tried = {
        Path(one).name for one in rows.values_list("place", flat=True)[: settings.BACKUP.keep * 4]
    }
    for name in may_go(names, settings.BACKUP.keep, tried):
        (place / name).unlink(missing_ok=True)
