"""Scheduled work of screening. A message only knocks; what is due is decided by a query."""

import logging

from celery import shared_task
from kombu.exceptions import OperationalError

from screening.selectors.runs import studies_outdated
from screening.services.reassess import reassess_all
from studylab.access import system_actor

logger = logging.getLogger(__name__)


@shared_task(name="screening.reassess_outdated")
def reassess_outdated() -> None:
    """Assess everybody anew in each study whose rules changed. Twice or late does no harm."""
    for study in studies_outdated():
        reassess_all(study=study, actor=system_actor("rules changed"))


def knock(_study_id: int) -> None:
    """Ask a worker to look now. Without a broker the next tick does it."""
    try:
        reassess_outdated.delay()
    except (OperationalError, OSError):
        logger.warning("No broker took the message; the next tick assesses everybody anew.")
