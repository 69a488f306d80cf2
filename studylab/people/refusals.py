"""A refusal that no form caught becomes a page, never a broken one."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from studylab.errors import StudylabError
from studylab.people.views.errors import answer_refusal


class RefusalMiddleware:
    """Answer every StudylabError that leaves a view with its own status and words."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """Turn a refusal into its page; leave everything else to break loudly."""
        if isinstance(exception, StudylabError):
            return answer_refusal(request, exception)
        return None
