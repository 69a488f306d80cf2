"""Background work of scheduling. The tables are the queue; a message only wakes a worker."""

from celery import shared_task

from scheduling.models import PlanRun
from scheduling.services.plan_work import TOO_MUCH, work
from studylab import clock
from studylab.operation.lease import take_back, waiting


@shared_task(name="scheduling.plan")
def make_plan(run_id: int) -> None:
    """Make one plan. A repeated message finds the run claimed and does nothing."""
    work(run_id)


@shared_task(name="scheduling.sweep")
def sweep() -> None:
    """Find plans whose message was lost or whose worker died."""
    now = clock.now()
    take_back(PlanRun, now, then=TOO_MUCH)
    for run_id in waiting(PlanRun, now):
        work(run_id)
