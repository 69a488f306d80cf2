"""Background work of scheduling. The tables are the queue; a message only wakes a worker."""

from celery import shared_task

from scheduling.services.plan_work import end_interrupted, waiting_runs, work
from studylab import clock


@shared_task(name="scheduling.plan")
def make_plan(run_id: int) -> None:
    """Make one plan. A repeated message finds the run claimed and does nothing."""
    work(run_id)


@shared_task(name="scheduling.sweep")
def sweep() -> None:
    """Find plans whose message was lost or whose worker died."""
    now = clock.now()
    end_interrupted(now)
    for run_id in waiting_runs(now):
        work(run_id)
