"""Whoever opens the page of a thing has read it, whatever way they came."""

from collections.abc import Callable
from typing import Any

from django.http import HttpRequest, HttpResponse

from studylab.notices.services.reading import notices_read


class NoticesMiddleware:
    """Marks what an opened page is about as read, once the page was shown.

    It asks the database nothing: the header of the page has read what stands for the person already.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: Any) -> HttpResponse:
        response = self.get_response(request)
        needs = getattr(request, "needs", None)
        if needs is not None and request.method == "GET" and response.status_code == 200:
            here = (request.path, request.get_full_path())
            opened = [(row.key, row.state) for row in needs.rows if row.url in here]
            if opened:
                notices_read(study=request.study, things=opened, actor=request.actor)
        return response
