"""A refusal that no form caught becomes a page, never a broken one."""

from collections.abc import Callable

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import resolve_url
from django_htmx.http import HttpResponseClientRedirect

from studylab.errors import StudylabError
from studylab.people.views.errors import answer_refusal, wrong_method


class RefusalMiddleware:
    """Answer every StudylabError that leaves a view with its own status and words, and a bare 405 by a page.

    A part of a page that is asked for after the sign-in ended sends the whole page to the sign-in, since a
    followed redirect would put the sign-in page into the middle of a table.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if response.status_code == 405 and not response.content:
            return wrong_method(request, response.headers["Allow"])
        if response.status_code != 302 or not request.htmx:  # type: ignore[attr-defined]
            return response
        if response.headers["Location"].partition("?")[0] != resolve_url(settings.LOGIN_URL):
            return response
        return HttpResponseClientRedirect(redirect_to_login(_page_of(request)).url)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        """Turn a refusal into its page; leave everything else to break loudly."""
        if isinstance(exception, StudylabError):
            return answer_refusal(request, exception)
        return None


def _page_of(request: HttpRequest) -> str:
    """Return the page that asked for a part of itself, as far as the browser says it in a way that can be read."""
    try:
        return request.htmx.current_url_abs_path or "/"  # type: ignore[attr-defined]
    except ValueError:
        return "/"
