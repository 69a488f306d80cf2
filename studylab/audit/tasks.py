"""Scheduled work on the trail."""

from celery import shared_task

from studylab.audit.services import seal_events
from studylab.audit.submissions import submissions_purge


@shared_task(name="audit.seal")
def seal() -> None:
    """Chain what has settled. Running twice or not at all does no harm: the next run finds the rest."""
    seal_events()
    submissions_purge()
