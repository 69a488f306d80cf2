"""Scheduled work of screening. A message only knocks; what is due is decided by a query."""

import logging

from celery import shared_task

from screening.selectors.runs import studies_outdated
from screening.services.reassess import reassess_all, run_broke
from studylab.access import system_actor
from studylab.celery import ring

log = logging.getLogger(__name__)
BROKEN_OFF = (
    "Something went wrong before everybody was assessed. It goes on by itself within minutes; "
    "if it stays here, tell whoever runs the site. Nobody can be signed by the old rules meanwhile."
)


@shared_task(name="screening.reassess_outdated", time_limit=3600)
def reassess_outdated() -> None:
    """Assess everybody anew in each study whose rules changed. Twice or late does no harm."""
    for study in studies_outdated():
        try:
            reassess_all(study=study, actor=system_actor("rules changed"), although_stopped=False)
        except Exception:
            log.exception("the rules over everybody in %s", study.slug)
            run_broke(study, BROKEN_OFF)


def knock(_study_id: int) -> None:
    """Ask a worker to look now. Without a broker the next tick does it."""
    ring(reassess_outdated)
