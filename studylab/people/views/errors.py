"""Error pages: what happened in plain words, and what to do next."""

from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from django.core.exceptions import DisallowedHost
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template import TemplateDoesNotExist, TemplateSyntaxError
from django.template.loader import render_to_string
from django.utils.http import url_has_allowed_host_and_scheme

from studylab.errors import Conflict, NotAllowed, RefusedWithReasons, StudylabError

# Last resort, should even the stand-alone page fail (for instance without collected static files).
_PLAIN = (
    '<!doctype html><html lang="en"><title>Something broke here</title><h1>Something broke here</h1>'
    "<p>The fault is ours and is in the site's log. Look whether your last entry was kept before you enter "
    'it again.</p><p><a href="/">Go to the start page</a></p></html>'
)


def refused(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """403: the page is there, but not for this role."""
    return _answer(
        request, 403, "This is not open to you",
        _words(exception) or "Your role in this study does not allow this.",
        ["If it is part of your work, ask the study lead to change your role.",
         "If you work in several studies, check that you are in the right one."],
    )  # fmt: skip


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """404: no such page, or not one of this study."""
    return _answer(
        request, 404, "There is no such page here",
        "The address is wrong, or what it named is not part of a study you work in.",
        ["Check the address for a slip of the keyboard.",
         "Find the volunteer by code in Volunteers, or the visit in Today."],
    )  # fmt: skip


def conflict(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """409: somebody else was first."""
    return _answer(
        request, 409, "Somebody else was first",
        _words(exception) or "The record changed while you were working on it. Nothing of yours was saved.",
        ["Open the page again, see what changed, and decide anew."],
    )  # fmt: skip


def rule_refused(request: HttpRequest, exception: StudylabError) -> HttpResponse:
    """422 (or the refusal's own status): a rule of the study forbids it; every reason is listed."""
    reasons = exception.reasons if isinstance(exception, RefusedWithReasons) else ()
    return _answer(
        request, exception.status, "This was not done", exception.message,
        ["Nothing was saved. Put right what is named above, then try again."], reasons=reasons,
    )  # fmt: skip


def csrf_failed(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403: the form was too old, or came from somewhere else."""
    return _answer(
        request, 403, "This form was too old to be taken",
        "For your protection a form is taken only from the sign-in it was opened in. Nothing was saved.",
        ["Go back, load the page again, and send the form once more.",
         "If you signed out or in again in another tab, that is the reason.",
         "If it keeps happening, check that your browser accepts cookies from this site."],
    )  # fmt: skip


def too_many(request: HttpRequest) -> HttpResponse:
    """429: this network tried to sign in too often."""
    return _answer(
        request, 429, "Too many attempts",
        "From your network somebody tried to sign in very often within a minute, so nothing was looked at.",
        ["Wait a minute, then try again.",
         "Can somebody not wait? The 24-hour phone of the study is answered by people."],
    )  # fmt: skip


def wrong_method(request: HttpRequest, allowed: str) -> HttpResponse:
    """405: the address takes a form only, or takes none; `allowed` is the Allow header."""
    if request.method == "POST":
        text = "This page is for reading and takes no entries. Nothing was saved."
    else:
        text = (
            "This address is behind a button: it takes what a form sends and shows nothing by itself. "
            "Nothing was recorded now."
        )
    answer = _answer(
        request, 405, "This page cannot be opened this way", text,
        ["Go to the record you were working on and see what is on it.",
         "Then use the button there."],
    )  # fmt: skip
    answer.headers["Allow"] = allowed
    return answer


def malformed(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400: the browser sent something no page of ours sends."""
    return _answer(
        request, 400, "This was not understood",
        "What the browser sent is damaged or incomplete. Nothing was saved.",
        ["Open the page again and enter it anew."],
    )  # fmt: skip


def broken(request: HttpRequest) -> HttpResponse:
    """500: rendered without the request, the session and the database, any of which may be what broke."""
    at = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    try:
        name = "links/broken.html" if getattr(request, "link_page", False) else "errors/broken.html"
        page: str = render_to_string(name, {"at": at, "number": getattr(request, "number", "")})
    except (ValueError, OSError, TemplateDoesNotExist, TemplateSyntaxError):
        page = _PLAIN
    return HttpResponse(page, status=500)


def answer_refusal(request: HttpRequest, refusal: StudylabError) -> HttpResponse:
    """Return the page for a refusal that no form caught."""
    if isinstance(refusal, NotAllowed):
        return refused(request, refusal)
    if isinstance(refusal, Conflict):
        return conflict(request, refusal)
    return rule_refused(request, refusal)


def _words(exception: Exception | None) -> str:
    if isinstance(exception, StudylabError):
        return exception.message
    first = exception.args[0] if exception is not None and exception.args else ""
    return first if isinstance(first, str) else ""


def _answer(
    request: HttpRequest,
    status: int,
    heading: str,
    text: str,
    next_steps: list[str],
    reasons: tuple[str, ...] = (),
) -> HttpResponse:
    """Render a whole page, or for htmx a notice that lands in the page's message area.

    A page behind a personal link answers in the volunteer's own words and language, with nothing of the staff's.
    """
    if getattr(request, "link_page", False):
        return render(request, "links/problem.html", status=status)
    context: dict[str, Any] = {
        "heading": heading, "text": text, "next_steps": next_steps, "reasons": reasons,
        "back": _came_from(request),
    }  # fmt: skip
    if getattr(request, "htmx", False):
        response = render(request, "errors/fragment.html", context, status=status)
        response.headers["HX-Retarget"] = "#messages"
        response.headers["HX-Reswap"] = "innerHTML show:window:top"
        return response
    return render(request, "errors/page.html", context, status=status)


def _came_from(request: HttpRequest) -> str:
    """Return the path of the page the person came from if it is one of ours and another one, else ""."""
    referer = request.headers.get("Referer", "")
    try:
        ours = url_has_allowed_host_and_scheme(referer, {request.get_host()}, request.is_secure())
    except DisallowedHost:  # which is why this page is shown: it cannot be asked for again
        return ""
    if not ours:
        return ""
    parts = urlsplit(referer)
    path = parts.path + (f"?{parts.query}" if parts.query else "")
    return "" if path == request.get_full_path() and request.method == "GET" else path
