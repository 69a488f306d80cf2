"""Backups among the running work."""

from typing import Any

from django.http import Http404
from django.template.defaultfilters import filesizeformat

from studylab.access import Actor, Cap
from studylab.backups.models import BackupRun
from studylab.backups.services.runs import backup_ask, backup_stop
from studylab.operation.rules.status import Queue
from studylab.operation.work import Stage, Work, WorkKind, queue_of


def _rows(_study: Any, ended: int) -> list[Work]:
    return [_shown(run) for run in BackupRun.objects.all()[: ended + 1]]


def _shown(run: BackupRun) -> Work:
    return Work(
        key=str(run.uid), what="The whole site", by=run.asked_by, asked_at=run.asked_at, stage=Stage(run.state),
        word=_word(run), step=run.stage, done=run.done, total=max(run.total, run.done) or None, unit="rows",
        attempt=run.attempt, heard_at=run.beat_at, ended_at=run.ended_at,
        ending=run.stop_at is not None and run.is_open, said=_said(run), can_repeat=not run.is_open,
    )  # fmt: skip


def _word(run: BackupRun) -> str:
    if run.state == BackupRun.State.DONE and run.trial:
        return str(run.get_trial_display())
    return str(run.get_state_display())


def _said(run: BackupRun) -> str:
    if run.state != BackupRun.State.DONE or run.snapshot_at is None:
        return run.trouble
    said = f"Of {run.snapshot_at:%a %d %b, %H:%M} UTC, {filesizeformat(run.size or 0)}, SHA-256 {run.sha256[:16]}…"
    return f"{said} {run.trial_problem}".strip()


def _waiting() -> Queue:
    return queue_of("Backups", BackupRun.objects.filter(state=BackupRun.State.WAITING))


def _run(key: str) -> BackupRun:
    run = BackupRun.objects.filter(uid=key).first()
    if run is None:
        raise Http404
    return run


def _stop(_study: Any, key: str, actor: Actor) -> str:
    backup_stop(run=_run(key), actor=actor)
    return "Stopping. A backup that is not whole is not kept."


def _again(_study: Any, key: str, actor: Actor) -> str:
    _run(key)
    backup_ask(with_trial=True, actor=actor)
    return "A backup was asked for; it is restored for a trial too."


KIND = WorkKind(
    key="backups", title="Backups", view=Cap.SITE_CARE, act=Cap.SITE_CARE, rows=_rows, waiting=_waiting,
    stop=_stop, again=_again, whole_site=True,
    about="All studies of this site in one sealed file, restored into a fresh database to see that it can be.",
)  # fmt: skip
