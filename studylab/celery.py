"""The Celery application. The database table is the queue; a message is only a knock on the door."""

import logging
import os
from typing import Any

from celery import Celery
from celery.signals import task_prerun
from kombu.exceptions import OperationalError

from studylab.logs import set_number

logger = logging.getLogger(__name__)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")

app = Celery("studylab", task_cls="studylab.celery_task:PatientTask")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.Task.Request = "studylab.celery_request:Request"
app.autodiscover_tasks()


@task_prerun.connect(weak=False)
def _number_task(task_id: str = "", **_more: Any) -> None:
    """Let the lines of log that a task leads to carry its number."""
    set_number(task_id)


def ring(task: Any, *args: object) -> bool:
    """Ask a worker to do a task now; whether a broker took the message. If not, the next tick finds what waits."""
    try:
        task.delay(*args)
    except (OperationalError, OSError):
        logger.warning(
            "No broker took the message of %s; the next tick finds what waits.", task.name
        )
        return False
    return True
