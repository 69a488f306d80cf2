"""What every task of a worker does first."""

from typing import Any

from celery import Task

TICK = "operation.tick"


class PatientTask(Task):
    """Work of a worker, left alone while the site is read-only; the next tick finds what waits. The tick itself goes on."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Do the work, or nothing."""
        from studylab.operation.read_only import open_span  # no models before the apps are ready

        if self.name != TICK and open_span() is not None:
            return None
        return super().__call__(*args, **kwargs)
