"""Runs of the rules over everybody among the running work."""

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.db.models.functions import Coalesce
from django.urls import reverse

from screening.models import RulesRun
from screening.selectors.runs import access_run, runs_of
from screening.services.reassess import run_go_on, run_stop
from screening.tasks import knock
from studylab import clock
from studylab.access import Actor, Cap
from studylab.operation.rules.status import Queue
from studylab.operation.work import Stage, Work, WorkKind, queue_of

_BETWEEN = timedelta(minutes=1)  # longer than the slowest chunk


def _rows(study: Any, ended: int) -> list[Work]:
    return [_shown(run, study) for run in runs_of(study)[: ended + 1]]


def _shown(run: RulesRun, study: Any) -> Work:
    stage, word = _state(run)
    stopped = stage == Stage.STOPPED
    said = (
        f"Stopped by {run.stop_by}. Who waits cannot be signed meanwhile."
        if stopped
        else run.trouble
    )
    if stage == Stage.DONE:
        said = f"{run.made} assessed anew, {run.changed} with another outcome, {run.void} sign-offs void."
    return Work(
        key=str(run.uid), what=f"Rules of table {run.table_version}, protocol version {run.protocol_version.number}",
        by=run.asked_by or "Studylab", asked_at=run.begun_at, stage=stage, word=word, done=run.done,
        total=run.people or None, unit="people", heard_at=run.beat_at, ended_at=run.finished_at or run.stop_at,
        said=said, url=reverse("set_up_rules_of", args=[study.slug, run.uid]), can_repeat=stopped,
    )  # fmt: skip


def _state(run: RulesRun) -> tuple[Stage, str]:
    if run.finished_at is not None:
        return (
            Stage.DONE,
            "done" if run.done >= run.people else "ended: the rules changed meanwhile",
        )
    if run.stop_at is not None:
        return Stage.STOPPED, "stopped"
    return Stage.RUNNING, "broken off, goes on by itself" if run.trouble else "under way"


def _waiting() -> Queue:
    """Count runs of which no worker has been heard lately: each goes on at the next tick."""
    heard = RulesRun.objects.annotate(heard=Coalesce("beat_at", "begun_at"))
    rows = heard.filter(finished_at=None, stop_at=None, heard__lt=clock.now() - _BETWEEN)
    return queue_of("Rules over everybody", rows, "heard")


def _stop(study: Any, key: str, actor: Actor) -> str:
    run_stop(run=access_run(study, UUID(key)), actor=actor)
    return "Stopping. Who was assessed stays so; who waits cannot be signed until the run goes on."


def _again(study: Any, key: str, actor: Actor) -> str:
    run = run_go_on(run=access_run(study, UUID(key)), actor=actor)
    knock(run.study_id)
    return "The run goes on where it stopped."


KIND = WorkKind(
    key="rules", title="Rules over everybody", view=Cap.HEALTH_VIEW, act=Cap.LIMITS_CONFIRM, rows=_rows,
    waiting=_waiting, stop=_stop, again=_again,
    about="Everybody is assessed anew after limits or rules changed. Nobody can be signed by the old ones meanwhile.",
)  # fmt: skip
