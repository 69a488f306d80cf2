"""The site's Celery application with quick ticks of the outbox, a clock that tests move, and the tests' kinds of messages.

Everything else is the site's: its tasks, its other ticks, its settings.
"""

import os
from pathlib import Path
from typing import Any

from celery.signals import worker_process_init
from django.conf import settings

from studylab.celery import app
from studylab.outbox.kinds import register_kind
from studylab.outbox.rules import words
from tests.outbox.faults.told_clock import ToldOffset
from tests.outbox.tried import KINDS, WORDS

settings.CLOCK_OFFSET = ToldOffset(Path(os.environ["FAULTS_CLOCK"]))
for name in ("send-messages", "sweep-messages"):
    app.conf.beat_schedule[name]["schedule"] = 1.0
for kind in KINDS:
    register_kind(kind)
    words._file(words.NATIVE)[kind.key] = WORDS  # type: ignore[index]


@worker_process_init.connect(weak=False)
def _note_child(**_more: Any) -> None:
    """Say which process does the work of a worker that forks."""
    (Path(os.environ["FAULTS_CHILDREN"]) / f"{os.getppid()}.{os.getpid()}").touch()
