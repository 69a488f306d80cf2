"""What every task of a worker does first: nothing is worked at while the site is read-only, or on half of the tables."""

from typing import Any

from celery import Task

TICK = "operation.tick"


class PatientTask(Task):
    """Work of a worker, left alone while the site is read-only; the next tick finds what waits. The tick itself goes on.

    While migrations are missing even the tick rests.
    """

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Do the work, or nothing."""
        from studylab.operation.read_only import open_span  # no models before the apps are ready
        from studylab.operation.schema import is_whole

        if not is_whole():
            return None
        if self.name != TICK and open_span() is not None:
            return None
        return super().__call__(*args, **kwargs)
