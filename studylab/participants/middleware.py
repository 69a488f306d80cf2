"""Lets the holder of a personal link through to the pages that declare it, and guards every such page."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.utils import timezone, translation
from django.utils.cache import patch_vary_headers
from django.utils.translation.trans_real import parse_accept_lang_header

from studylab import clock
from studylab.access import Actor, Cap
from studylab.participants.kept_away import CLOSED, SOMEBODY_ELSE, is_kept_away, is_kept_away_by
from studylab.participants.link_purposes import link_purpose
from studylab.participants.models import PersonalLink
from studylab.participants.rules.link import Door
from studylab.participants.selectors.links import door_of, link_of_device
from studylab.participants.services.knocks import too_often
from studylab.participants.services.links import holder_actor
from studylab.participants.views.link_answers import link_closed, too_many

SAVES_AT_MOST = (
    200  # per link and ten minutes: far more than a person sends, far less than a script
)
_BELOW = "/my/"  # where every page behind a link stands
_HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow",
}


class LinkRequest(Protocol):
    """A request of somebody who holds an open link."""

    link: PersonalLink
    link_door: Door
    actor: Actor
    languages: tuple[str, ...]


class LinkMiddleware:
    """Resolve the device's cookie into a link, refuse what it does not open, and speak its language.

    Stands before the check of cross-site forms: see `_own_origin`.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.link = None  # type: ignore[attr-defined]
        # A slip in an address of theirs finds no view, and is answered in their words and language too.
        request.link_page = request.path.startswith(_BELOW)  # type: ignore[attr-defined]
        if request.link_page:  # type: ignore[attr-defined]
            _speak(request, None)
        try:
            response = self.get_response(request)
            if request.link_page:  # type: ignore[attr-defined]
                _guard(response)
        finally:
            if request.link_page:  # type: ignore[attr-defined]
                translation.deactivate()
                timezone.deactivate()
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        """Open the page, or answer that the link does not."""
        behind = getattr(view, "required_capability", None) == Cap.LINK_HOLDER
        if not behind and not getattr(view, "is_link_door", False):
            return None
        request.link_page = True  # type: ignore[attr-defined]
        _own_origin(request)
        link = link_of_device(request.COOKIES.get(settings.LINK_COOKIE_NAME, ""))
        stands = door_of(link, clock.now(), known_device=True) if link else Door.CLOSED
        if link is not None and stands is Door.CLOSED:
            link = None
        request.link, request.link_door = link, stands  # type: ignore[attr-defined]
        _speak(request, link)
        if not behind:
            return None
        if link is None or link.purpose != getattr(view, "link_purpose", ""):
            return link_closed(request)
        if request.method == "POST" and too_often("save", str(link.uid), at_most=SAVES_AT_MOST):
            return too_many(request)
        holder = replace(holder_actor(link), request_id=request.number)  # type: ignore[attr-defined]
        request.study, request.actor = link.participant.study, holder  # type: ignore[attr-defined]
        timezone.activate(link.participant.study.timezone)
        return None


def _guard(response: HttpResponse) -> None:
    for name, value in _HEADERS.items():
        response.headers[name] = value
    response.headers["Content-Language"] = translation.get_language() or settings.LANGUAGE_CODE
    patch_vary_headers(response, ("Cookie", "Accept-Language"))


def _own_origin(request: HttpRequest) -> None:
    """Name the origin of a form of our own.

    A page with "Referrer-Policy: no-referrer" sends its forms with "Origin: null" (Fetch standard, "append a
    request Origin header"), which the check of cross-site forms refuses. Where the browser says that the form
    is of this site, or says nothing, the origin is put back; the form's secret token is checked all the same.
    """
    if request.META.get("HTTP_ORIGIN") != "null":
        return
    if request.headers.get("Sec-Fetch-Site", "same-origin") == "same-origin":
        request.META["HTTP_ORIGIN"] = f"{request.scheme}://{request.get_host()}"


def _speak(request: HttpRequest, link: PersonalLink | None) -> None:
    """Activate the language: the one chosen here, else the first that the browser asks for, else the
    volunteer's."""
    names = dict(settings.LANGUAGES)
    offered = tuple(names)
    if link is not None:
        offered = link_purpose(link.purpose).languages(link.participant)
    wished = [request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")]
    wished += _asked_for(request, offered)
    wished += [link.participant.language] if link else []
    language = next((code for code in wished if code in offered), offered[0])
    translation.activate(language)
    request.languages = offered  # type: ignore[attr-defined]
    request.other_languages = [  # type: ignore[attr-defined]
        (code, names[code].partition(" (")[0]) for code in offered if code != language
    ]


def _asked_for(request: HttpRequest, offered: tuple[str, ...]) -> list[str]:
    """Return the offered languages that the browser names, its first choice first; "fr" means "fr-ca" too."""
    asked = parse_accept_lang_header(request.headers.get("Accept-Language", ""))
    return [
        code
        for tag, _weight in asked
        for code in offered
        if tag == code or tag.partition("-")[0] == code.partition("-")[0]
    ]


class KeptAwayMiddleware:
    """Close the pages of a volunteer to staff who are kept away from them; the words name no reason.

    Stands after `StudyMiddleware`, which says who asks, in which study.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: Any, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        """Let the request through or refuse it."""
        if request.study is None:
            return None
        study, user = request.study.pk, request.actor.user_id
        if "code" in kwargs:
            closed = view.required_capability in CLOSED and is_kept_away(
                study, kwargs["code"], user
            )
        else:
            closed = (
                "uid" in kwargs
                and not getattr(view, "is_open_to_kept_away", False)
                and is_kept_away_by(request.resolver_match.route, study, kwargs["uid"], user)
            )
        if closed:
            raise PermissionDenied(SOMEBODY_ELSE)
        return None
