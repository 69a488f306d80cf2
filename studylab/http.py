"""What views share: the typed request, and one way to answer a form."""

from collections.abc import Callable
from typing import Any, Protocol

from django.conf import settings
from django.contrib import messages
from django.forms import BaseForm
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme

from studylab.access import Actor
from studylab.edits import opened, say_changes, write_unchanged
from studylab.errors import NotAllowed, RefusedWithReasons, StudylabError


class StaffRequest(HttpRequest):
    """A request that passed the middleware: somebody signed in, acting in a study."""

    study: Any
    actor: Actor


CHANGED = "This changed since you opened the page, so nothing is recorded. Look at it as it stands now, then send it again."


def posted(request: HttpRequest) -> QueryDict | None:
    """Return what was sent to a form, also when that is nothing; None when the form was only asked for."""
    return request.POST if request.method == "POST" else None


def next_url(request: HttpRequest) -> str:
    """Return where the person came from, if that is a page of this site; "" otherwise."""
    return own_page(request, request.POST.get("next") or request.GET.get("next") or "")


def own_page(request: HttpRequest, wanted: str) -> str:
    """Return an address that a browser sent if it is one of this site's pages; "" otherwise.

    Without the slash in front it would be taken for the name of a page.
    """
    fits = wanted.startswith("/") and url_has_allowed_host_and_scheme(
        wanted, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return wanted if fits else ""


class Writes(Protocol):
    """Something a view does with a valid form: calls one service and returns what it made."""

    def __call__(self) -> object:
        """Write."""


def take_refusal(form: BaseForm, refusal: StudylabError) -> None:
    """Put a service's refusal where the person looks: at its field, or on top of the form."""
    if isinstance(refusal, NotAllowed):
        raise refusal
    field = refusal.field if refusal.field in form.fields else None
    form.add_error(field, refusal.message)
    if isinstance(refusal, RefusedWithReasons):
        for reason in refusal.reasons:
            form.add_error(None, reason)


def answer_form(
    request: HttpRequest,
    *,
    form: BaseForm,
    template: str,
    write: Callable[[], object],
    done: Callable[[Any], str | HttpResponse],
    message: str = "",
    shown: str = "",
    edits: Callable[[], BaseForm] | None = None,
    context: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show a form, or take it: on success redirect to `done(result)`, else show it again with its errors.

    `done` may return an answer of its own instead, for what is shown this once, such as a link to hand over.

    GET answers 200. A form that is wrong or refused answers 422 (409 on a conflict) with everything that
    was typed still in it.

    `shown` names the state of what the page is about (a key or a hash); the form carries it. When another state stands
    now, nothing is written: somebody would sign or judge what they have not seen.

    `edits` is for forms that change what stands: it makes the form anew from the record, empty of what was sent. When
    somebody else has changed a field since the page was opened, nothing is written and each field says what they made of it.
    """
    status, seen = 200, request.POST.get("shown", "")
    now = edits() if edits else None
    if now is not None:
        shown = f"{shown};{opened(now)}"
    if request.method == "POST":
        status = 422
        valid = form.is_valid()
        if shown and seen != shown:
            form.add_error(None, CHANGED) if now is None else say_changes(form, now, seen)
            status = 409
        elif valid:
            try:
                result = _written(request, write, edits)
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                if message:
                    messages.success(request, message)
                to = done(result)
                return to if isinstance(to, HttpResponse) else redirect(to)
    page = {"form": form, "shown": shown, **(context or {})}
    return render(request, template, page, status=status)


def _written(
    request: HttpRequest, write: Callable[[], object], edits: Callable[[], BaseForm] | None
) -> object:
    if edits is None:
        return write()
    actor: Actor = request.actor  # type: ignore[attr-defined]
    seen = request.POST["shown"]
    return write_unchanged(edits=edits, shown=seen, about=request.path, write=write, actor=actor)


def client_address(request: HttpRequest) -> str:
    """Return the network address of whoever asks: the last one that our own proxy saw, or the peer's."""
    if settings.BEHIND_PROXY:
        return request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    return str(request.META.get("REMOTE_ADDR", ""))
