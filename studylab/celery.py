"""The Celery application. The database table is the queue; a message is only a knock on the door."""

import logging
import os
from typing import Any

from celery import Celery
from kombu.exceptions import OperationalError

logger = logging.getLogger(__name__)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")

app = Celery("studylab")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.Task.Request = "studylab.celery_request:Request"
app.autodiscover_tasks()


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
