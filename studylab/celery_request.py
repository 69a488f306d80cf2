"""How a worker takes back a message from the broker."""

from celery.worker.request import Request as CeleryRequest


class Request(CeleryRequest):
    """A request whose lost connection is heard.

    Celery 5.7 only logs an acknowledgement that did not reach Redis, and the message counts as unfinished for good.
    After a restart of Redis in busy hours every place for messages was taken that way: the worker lived, and
    heard nothing any more. With no error to be kept quiet the loss reaches the worker, which connects anew.
    """

    def acknowledge(self) -> None:
        """Tell the broker that the message was taken; a connection that is lost is raised."""
        self._connection_errors = ()
        super().acknowledge()
