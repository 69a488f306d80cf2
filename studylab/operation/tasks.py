"""The tick: the scheduler knocks once a minute, a worker hears it and notes how things stand."""

from datetime import timedelta

from celery import shared_task

from studylab import clock
from studylab.operation.models import ProcessBeat
from studylab.operation.status import note_status

KEPT = timedelta(days=7)


@shared_task(name="operation.tick")
def tick() -> None:
    """Note the status and forget processes of last week. Twice or late does no harm."""
    now = clock.now()
    note_status(now)
    ProcessBeat.objects.filter(seen_at__lt=now - KEPT).delete()
