"""One sent form writes once: a double click, a repeated request and a lost answer do no harm."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.utils.http import url_has_allowed_host_and_scheme
from django_htmx.http import HttpResponseClientRedirect

from studylab.audit.selectors import request_recorded
from studylab.audit.submissions import (
    Claim,
    submission_claim,
    submission_drop,
    submission_settle,
)

_TEXTS = {
    Claim.RUNNING: "Your first click is still being worked on. Wait a moment, then open the page again.",
    Claim.FOREIGN: "This form was opened by somebody else or for another page. Open the page again.",
}
_MALFORMED = (
    "The form's key is damaged, so nothing was recorded. Open the page again and send it anew."
)


@dataclass(frozen=True, slots=True)
class _Key:
    key: UUID
    request_id: UUID


class SubmissionMiddleware:
    """Honour `form_key`, the hidden field that the tag `form_key` puts into every form.

    The first use of a key runs the view. A form that led somewhere leads there again when it is sent
    again, without the view; one that was refused gives its key back.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        key: _Key | None = getattr(request, "submission", None)
        if key is not None:
            _settle(request, response, key)
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        """Claim the key after the other middleware has let the request through."""
        if request.method != "POST" or not request.user.is_authenticated:
            return None
        text = request.POST.get("form_key")
        if text is None:
            return None
        try:
            key = UUID(text)
        except ValueError:
            return _refuse(request, _MALFORMED, 400)
        actor = getattr(request, "actor", None)
        request_id = actor.request_id if actor is not None else uuid4()
        assert request.user.pk is not None
        found = submission_claim(
            key=key, user_id=request.user.pk, path=request.path, request_id=request_id
        )
        if found.claim is Claim.FIRST:
            request.submission = _Key(key, request_id)  # type: ignore[attr-defined]
            return None
        if found.claim is Claim.ANSWERED:
            return _recorded_already(request, found.answer or _page_of(request))
        return _refuse(request, _TEXTS[found.claim], 409)


def _settle(request: HttpRequest, response: HttpResponse, key: _Key) -> None:
    status = response.status_code
    refused = 400 <= status < 500
    doubtful = status >= 500 or _told_refusal(request)
    if refused or (doubtful and not request_recorded(key.request_id)):
        submission_drop(key=key.key, request_id=key.request_id)
        return
    answer = response.headers.get("Location") or response.headers.get("HX-Redirect")
    submission_settle(key=key.key, request_id=key.request_id, answer=answer or _page_of(request))


def _told_refusal(request: HttpRequest) -> bool:
    """Whether the next page will say that something was refused: a view may answer that by sending on."""
    told = getattr(messages.get_messages(request), "_queued_messages", ())
    return any(one.level >= messages.WARNING for one in told)


def _page_of(request: HttpRequest) -> str:
    """Return the address of the page the form stands on, as far as the browser says."""
    page = request.headers.get("HX-Current-URL") or request.headers.get("Referer") or ""
    if not url_has_allowed_host_and_scheme(page, {request.get_host()}, request.is_secure()):
        return "/"
    parts = urlsplit(page)
    return parts.path + (f"?{parts.query}" if parts.query else "")


def _recorded_already(request: HttpRequest, to: str) -> HttpResponse:
    messages.info(request, "That was recorded already.")
    if getattr(request, "htmx", False):
        return HttpResponseClientRedirect(to)
    return HttpResponseRedirect(to)


def _refuse(request: HttpRequest, text: str, status: int) -> HttpResponse:
    if getattr(request, "htmx", False):
        response = render(request, "audit/form_key_part.html", {"text": text}, status=status)
        response.headers["HX-Retarget"] = "#messages"
        response.headers["HX-Reswap"] = "innerHTML"
        return response
    return render(request, "audit/form_key.html", {"text": text}, status=status)
