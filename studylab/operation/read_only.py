"""While the site is read-only, pages are read and nothing is taken, but for what its own pages of emergency declare."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.utils.timezone import localtime

from studylab.db import writing_refused
from studylab.operation.models import ReadOnlySpan
from studylab.operation.rules.status import Line, State

_SAFE = ("GET", "HEAD", "OPTIONS")
RETRY_SECONDS = 60


def open_span() -> ReadOnlySpan | None:
    """Return the time of reading only that is not over, or None."""
    return ReadOnlySpan.objects.filter(ended_at=None).first()


def why(span: ReadOnlySpan) -> str:
    """Say what somebody reads who wanted to record something, in the zone of their study."""
    return (
        f"Nothing can be recorded just now ({span.reason}); expected until {localtime(span.until):%H:%M %Z}. Nothing was recorded: "
        "write it on paper with the time, and enter it afterwards. Opening a code works."
    )


class ReadOnlyMiddleware:
    """Let services refuse what a form brings while the site is read-only, with what was typed still in the form.

    One query for each form; none for a page that is only read.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        before = writing_refused.set("")
        try:
            response = self.get_response(request)
        finally:
            writing_refused.reset(before)
        if response.status_code == 503:
            response.headers.setdefault("Retry-After", str(RETRY_SECONDS))
        return response

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> None:
        """Look once whether a form may be taken."""
        if request.method in _SAFE or getattr(view, "is_open_while_read_only", False):
            return
        if span := open_span():
            writing_refused.set(why(span))


def writing_line(at: datetime) -> Line:
    """Say whether the site takes entries."""
    span = open_span()
    if span is None:
        return Line("writing", "Writing", State.OK, "Entries are taken.")
    late = span.until < at
    return Line(
        "writing", "Writing", State.WRONG if late else State.LOOK,
        f"Read-only: {span.reason}. Expected until {span.until:%a %d %b, %H:%M} UTC.",
        "End it with python3 manage.py read_only off once the work is done.", span.begun_at,
    )  # fmt: skip
