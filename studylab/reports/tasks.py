"""Background work of the reports. The table is the queue; a message only wakes a worker."""

from celery import shared_task

from studylab import clock
from studylab.operation.lease import take_back, waiting
from studylab.reports.models import ExportRun
from studylab.reports.services.export_work import TOO_MUCH, tidy, work

LONGEST = 3600  # seconds for the largest study; a stop or a dead worker ends it much earlier


@shared_task(name="reports.export", time_limit=LONGEST)
def make_export(run_id: int) -> None:
    """Make one export. A repeated message finds it claimed and does nothing."""
    work(run_id)


@shared_task(name="reports.sweep", time_limit=LONGEST)
def sweep() -> None:
    """Find exports whose message was lost or whose worker died, and let old bytes go."""
    now = clock.now()
    tidy(now)
    take_back(ExportRun, now, then=TOO_MUCH)
    for run_id in waiting(ExportRun, now):
        work(run_id)
