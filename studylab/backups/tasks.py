"""Scheduled backups. The table is the queue; a message only wakes a worker."""

from celery import shared_task

from studylab import clock
from studylab.access import system_actor
from studylab.backups.models import BackupRun
from studylab.backups.selectors import due_by_itself, trial_due
from studylab.backups.services.runs import TOO_MUCH, backup_ask, work
from studylab.errors import Conflict
from studylab.operation.lease import take_back, waiting

LONGEST = 4 * 3600  # seconds; a stop or a dead worker ends it much earlier


@shared_task(name="backups.make", time_limit=LONGEST)
def make_backup(run_id: int) -> None:
    """Make one backup. A repeated message finds it claimed and does nothing."""
    work(run_id)


@shared_task(name="backups.tick", time_limit=LONGEST)
def tick() -> None:
    """Begin the backup that is due, and find those whose message was lost or whose worker died."""
    now = clock.now()
    take_back(BackupRun, now, then=TOO_MUCH)
    for run_id in waiting(BackupRun, now):
        work(run_id)
    if due_by_itself(now):
        try:
            backup_ask(with_trial=trial_due(now), actor=system_actor("timetable of backups"))
        except Conflict:
            return  # another tick was quicker
