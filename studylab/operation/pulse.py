"""Background processes say that they live: a thread in each writes its row, so a killed one falls silent at once.

The thread opens a connection for each beat and closes it again: children that are forked meanwhile inherit none.
"""

import atexit
import logging
import os
import socket
import threading
from typing import Any

from celery.signals import beat_init, worker_ready, worker_shutdown
from django.db import DatabaseError, connection

from studylab import clock
from studylab.operation.checks import version
from studylab.operation.models import ProcessBeat
from studylab.operation.rules.status import BEAT_EVERY

log = logging.getLogger(__name__)


class Pulse:
    """The row of this process and the thread that keeps it fresh."""

    def __init__(self, kind: ProcessBeat.Kind) -> None:
        self.row = ProcessBeat(
            kind=kind,
            name=f"{socket.gethostname()[:100]}, process {os.getpid()}",
            version=version(),
            started_at=clock.now(),
        )
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pulse", daemon=True)

    def start(self) -> None:
        """Begin to beat."""
        self._thread.start()

    def stop(self) -> None:
        """Say goodbye; at most a few seconds are spent on it."""
        self._ends.set()
        self._thread.join(timeout=5)

    def _run(self) -> None:
        while True:
            self.beat()
            if self._ends.wait(BEAT_EVERY.total_seconds()):
                break
        self.row.stopped_at = clock.now()
        self.beat()

    def beat(self) -> None:
        """Write the row. When the database does not take it, the next beat tries again."""
        try:
            self.row.seen_at = clock.now()
            self.row.save()
        except DatabaseError:
            log.warning("The database took no sign of life.", exc_info=True)
        finally:
            connection.close()


_pulses: list[Pulse] = []


def _begin(kind: ProcessBeat.Kind) -> None:
    pulse = Pulse(kind)
    _pulses.append(pulse)
    pulse.start()


def _end(**_more: Any) -> None:
    while _pulses:
        _pulses.pop().stop()


def _worker_is_ready(**_more: Any) -> None:
    _begin(ProcessBeat.Kind.WORKER)


def _scheduler_begins(**_more: Any) -> None:
    _begin(ProcessBeat.Kind.SCHEDULER)
    atexit.register(_end)  # there is no signal for the end of a scheduler


def listen() -> None:
    """Begin to beat when this process becomes a worker or a scheduler."""
    worker_ready.connect(_worker_is_ready, weak=False, dispatch_uid="pulse of a worker")
    worker_shutdown.connect(_end, weak=False, dispatch_uid="end of a worker's pulse")
    beat_init.connect(_scheduler_begins, weak=False, dispatch_uid="pulse of a scheduler")
