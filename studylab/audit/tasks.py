"""Scheduled work on the trail."""

from celery import shared_task

from studylab import clock
from studylab.access import system_actor
from studylab.audit.selectors import check_is_due
from studylab.audit.services import seal_events, verify_record
from studylab.audit.submissions import submissions_purge


@shared_task(name="audit.seal")
def seal() -> None:
    """Chain what has settled. Running twice or not at all does no harm: the next run finds the rest."""
    seal_events()
    submissions_purge()


@shared_task(name="audit.verify")
def verify() -> None:
    """Check every seal of the record once a day; the tick that comes first after that day does it."""
    if check_is_due(clock.now()):
        verify_record(actor=system_actor("daily check"))
