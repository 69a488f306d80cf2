"""Plans among the running work."""

from typing import Any
from uuid import UUID

from django.urls import reverse

from scheduling.models import PlanRun
from scheduling.selectors.plan_pages import access_run, runs_of
from scheduling.services.plans import plan_ask, plan_stop
from studylab import clock
from studylab.access import Actor, Cap
from studylab.operation.rules.status import Queue
from studylab.operation.work import Stage, Work, WorkKind, queue_of

_STAGES = {
    PlanRun.State.WAITING: Stage.WAITING, PlanRun.State.RUNNING: Stage.RUNNING, PlanRun.State.READY: Stage.DONE,
    PlanRun.State.STOPPED: Stage.STOPPED, PlanRun.State.FAILED: Stage.FAILED,
}  # fmt: skip


def _rows(study: Any, ended: int) -> list[Work]:
    today = clock.now().astimezone(study.zone).date()
    return [_shown(run, may_repeat=run.last_day >= today) for run in runs_of(study)[: ended + 1]]


def _shown(run: PlanRun, *, may_repeat: bool) -> Work:
    name = "Plan" if run.purpose == PlanRun.Purpose.PLAN else "What if"
    said = run.trouble
    if run.state == PlanRun.State.READY and run.purpose == PlanRun.Purpose.PLAN:
        said = f"{run.placed} of {run.people} people placed."
    return Work(
        key=str(run.uid), what=f"{name}, {run.first_day:%d %b} to {run.last_day:%d %b %Y}", by=run.asked_by.name,
        asked_at=run.asked_at, stage=_STAGES[PlanRun.State(run.state)], word=run.get_state_display(),
        step=run.stage, done=run.placed, total=run.people or None, unit="people placed", attempt=run.attempt,
        heard_at=run.beat_at, ended_at=run.ended_at, ending=run.stop_at is not None and run.is_open, said=said,
        url=reverse("plan_run", args=[run.study.slug, run.uid]), can_repeat=may_repeat and not run.is_open,
    )  # fmt: skip


def _waiting() -> Queue:
    rows = PlanRun.objects.filter(state=PlanRun.State.WAITING)
    return queue_of("Plans", rows)


def _stop(study: Any, key: str, actor: Actor) -> str:
    plan_stop(run=access_run(study, UUID(key)), actor=actor)
    return "Stopping. The best plan found so far is kept."


def _again(study: Any, key: str, actor: Actor) -> str:
    run = access_run(study, UUID(key))
    plan_ask(
        study=study, purpose=run.purpose, first_day=run.first_day, last_day=run.last_day,
        movable_from=run.movable_from, seconds=run.seconds, actor=actor,
    )  # fmt: skip
    return "A plan over the same days was asked for."


KIND = WorkKind(
    key="plans", title="Plans", view=Cap.SERIES_BOOK, act=Cap.SERIES_BOOK, rows=_rows, waiting=_waiting,
    stop=_stop, again=_again, about="Proposals of series for several volunteers. Stopping keeps the best so far.",
)  # fmt: skip
