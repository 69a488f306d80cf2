"""Queueing what is due by itself."""

import logging
from datetime import datetime

from django.db import DatabaseError, transaction

from studylab.outbox.planners import planned_messages
from studylab.outbox.services.queue import queue_rows
from studylab.studies.models import Study

log = logging.getLogger(__name__)


def plan_all(now: datetime) -> None:
    """Queue what is to come in every study. One that cannot be read keeps no other from being told."""
    open_ones = Study.objects.exclude(state=Study.State.CLOSED)
    for study in open_ones.filter(protocol_versions__isnull=False).distinct().order_by("id"):
        try:
            with transaction.atomic():
                queue_rows(planned_messages(study, now))
        except DatabaseError:
            raise
        except Exception:
            log.exception("messages of study %s could not be planned", study.slug)
