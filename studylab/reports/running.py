"""Exports among the running work."""

from typing import Any
from uuid import UUID

from django.template.defaultfilters import filesizeformat
from django.urls import reverse

from studylab.access import Actor, Cap
from studylab.operation.rules.status import Queue
from studylab.operation.work import Stage, Work, WorkKind, queue_of
from studylab.reports.models import ExportRun
from studylab.reports.selectors.exports import access_run, runs_of
from studylab.reports.services.exports import export_ask, export_stop

_STAGES = {
    ExportRun.State.WAITING: Stage.WAITING, ExportRun.State.RUNNING: Stage.RUNNING, ExportRun.State.READY: Stage.DONE,
    ExportRun.State.STOPPED: Stage.STOPPED, ExportRun.State.FAILED: Stage.FAILED,
}  # fmt: skip


def _rows(study: Any, ended: int) -> list[Work]:
    return [_shown(run, study) for run in runs_of(study)[: ended + 1]]


def _shown(run: ExportRun, study: Any) -> Work:
    said = run.trouble
    if run.state == ExportRun.State.READY:
        said = f"{filesizeformat(run.size or 0)}, SHA-256 {run.sha256[:16]}…"
    return Work(
        key=str(run.uid), what="The study's data", by=run.asked_by.name, asked_at=run.asked_at,
        stage=_STAGES[ExportRun.State(run.state)], word=run.get_state_display(), step=run.stage, done=run.done,
        total=run.rows or None, unit="rows", attempt=run.attempt, heard_at=run.beat_at, ended_at=run.ended_at,
        ending=run.stop_at is not None and run.is_open, said=said,
        url=reverse("record_export", args=[study.slug, run.uid]), can_repeat=not run.is_open,
    )  # fmt: skip


def _waiting() -> Queue:
    rows = ExportRun.objects.filter(state=ExportRun.State.WAITING)
    return queue_of("Exports", rows)


def _stop(study: Any, key: str, actor: Actor) -> str:
    export_stop(run=access_run(study, UUID(key)), actor=actor)
    return "Stopping. Nothing of it is kept."


def _again(study: Any, key: str, actor: Actor) -> str:
    access_run(study, UUID(key))
    export_ask(study=study, actor=actor)
    return "An export was asked for."


KIND = WorkKind(
    key="exports", title="Exports", view=Cap.RECORD_VIEW, act=Cap.EXPORT_MAKE, rows=_rows, waiting=_waiting,
    stop=_stop, again=_again, about="The study's data in one ZIP. A stopped export keeps nothing.",
)  # fmt: skip
