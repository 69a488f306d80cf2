"""Scheduled work on the trail."""

from celery import shared_task

from studylab import clock
from studylab.access import system_actor
from studylab.audit.models import SealCheck
from studylab.audit.seal_checks import TOO_MUCH, check_ask, due_by_itself, work
from studylab.audit.services import seal_events
from studylab.audit.submissions import submissions_purge
from studylab.operation.lease import take_back, waiting

LONGEST = 3600  # seconds; what takes longer is taken up again where it stood


@shared_task(name="audit.seal")
def seal() -> None:
    """Chain what has settled. Running twice or not at all does no harm: the next run finds the rest."""
    seal_events()
    submissions_purge()


@shared_task(name="audit.check", time_limit=LONGEST)
def check(check_id: int) -> None:
    """Make one check of the seals. A repeated message finds it claimed and does nothing."""
    work(check_id)


@shared_task(name="audit.verify", time_limit=LONGEST)
def verify() -> None:
    """Check every seal of the record once a day, and find checks whose message was lost or whose worker died."""
    now = clock.now()
    take_back(SealCheck, now, then=TOO_MUCH)
    for check_id in waiting(SealCheck, now):
        work(check_id)
    if due_by_itself(now):
        check_ask(actor=system_actor("daily check"))
