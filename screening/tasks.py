"""Scheduled work of screening. A message only knocks; what is due is decided by a query."""

from celery import shared_task

from screening.selectors.runs import studies_outdated
from screening.services.reassess import reassess_all
from studylab.access import system_actor
from studylab.celery import ring


@shared_task(name="screening.reassess_outdated")
def reassess_outdated() -> None:
    """Assess everybody anew in each study whose rules changed. Twice or late does no harm."""
    for study in studies_outdated():
        reassess_all(study=study, actor=system_actor("rules changed"))


def knock(_study_id: int) -> None:
    """Ask a worker to look now. Without a broker the next tick does it."""
    ring(reassess_outdated)
