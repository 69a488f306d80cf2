"""Which device a request comes from, whether its sign-in still stands, and whether it is locked."""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme

from studylab import clock
from studylab.access import Actor, Cap
from studylab.people.models import Device, DevicePage, SignIn, User
from studylab.people.rules.devices import is_locked, lock_moment
from studylab.people.selectors.devices import device_of_cookie, sign_in_of
from studylab.people.services.sign_ins import (
    device_emptied,
    page_opened,
    sign_in_begin,
    sign_in_end,
    sign_in_lock,
    sign_in_place,
    sign_in_run_out,
    sign_in_seen,
)

LOCKED = 423  # RFC 4918, 11.3
GONE = 410
EMPTY_ITSELF = '"cache", "storage"'  # the cookie stays, so that the next request is told the same
_LONGEST_PAGE = 400
_LEFT: dict[str, str] = {
    SignIn.Ended.IDLE: "You were signed out because nobody did anything for a while. Sign in again to go on.",
    SignIn.Ended.LIMIT: "You were signed out because this sign-in had lasted as long as one may. Sign in again to go on.",
    SignIn.Ended.PASSWORD: "Your password was changed elsewhere, so you are signed out here.",
    SignIn.Ended.STEP: "Your second steps were changed elsewhere, so you are signed out here.",
    SignIn.Ended.ELSEWHERE: "You were signed out here from another place.",
}
# Pages about the house and not about volunteers.
_NOBODYS = frozenset(
    {Cap.ANYONE, Cap.SIGNED_IN, Cap.LINK_HOLDER, Cap.STUDY_VIEW, Cap.SETUP_VIEW, Cap.SETUP_EDIT, Cap.PEOPLE_MANAGE, Cap.ACCESS_VIEW, Cap.ACCOUNTS_MANAGE,
     Cap.DEVICE_MANAGE, Cap.LAB_TIMES, Cap.RULES_VIEW, Cap.TEACHING_VIEW}
)  # fmt: skip


class DeviceMiddleware:
    """Put `device` and `sign_in` on the request; refuse revoked devices, ended sign-ins and locked screens.

    A sign-in that began on a device is good with that device's cookie only.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        cookie = request.COOKIES.get(settings.DEVICE_COOKIE_NAME, "")
        device = device_of_cookie(cookie) if cookie else None
        request.device, request.sign_in = device, None  # type: ignore[attr-defined]
        if request.user.is_authenticated:
            _stand(request, request.user, device)
        response = self.get_response(request)
        if device is not None and device.revoked_at is None:
            _note_page(request, response)
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        """Answer for a revoked device or a locked screen; otherwise note that somebody is there."""
        device: Device | None = request.device  # type: ignore[attr-defined]
        if device is not None and device.revoked_at is not None:
            return None if getattr(view, "is_for_revoked", False) else emptied(request, device)
        sign_in: SignIn | None = request.sign_in  # type: ignore[attr-defined]
        if sign_in is None:
            return None
        # What scripts send says nothing about a person; that somebody touched the page they say by themselves.
        background = getattr(view, "is_background", False) or (
            device is not None and _scripted(request)
        )
        if device is not None and locked_now(sign_in, device):
            if getattr(view, "is_open_while_locked", False):
                return None
            return _locked(request, sign_in, device, background=background)
        sign_in_seen(sign_in=sign_in, device=device, active=not background)
        return None


def locked_now(sign_in: SignIn, device: Device) -> bool:
    """Whether this sign-in on this device is locked."""
    return is_locked(
        active_at=sign_in.active_at, locked_at=sign_in.locked_at,
        lock_minutes=device.lock_minutes, now=clock.now(),
    )  # fmt: skip


def emptied(request: HttpRequest, device: Device) -> HttpResponse:
    """Tell a revoked device to empty itself, and say so."""
    device_emptied(device=device)
    response = render(request, "people/devices/emptied.html", {"device": device}, status=GONE)
    response.headers["Clear-Site-Data"] = EMPTY_ITSELF
    response.headers["Cache-Control"] = "no-store"
    return response


def _stand(request: HttpRequest, user: User, device: Device | None) -> None:
    """Find the sign-in behind the session; where it does not stand any more, nobody is signed in."""
    sign_in = sign_in_of(request.session.get("sign_in"))
    if sign_in is None:  # a session from before there were sign-ins
        sign_in = sign_in_begin(user=user, device=device)
        request.session["sign_in"] = str(sign_in.uid)
    how, now = "", clock.now()
    if sign_in.ended_at is not None:
        how = sign_in.ended_how
    elif now - sign_in.began_at >= settings.SIGN_IN_LONGEST:
        how = SignIn.Ended.LIMIT
    # A tablet of the lab has its lock for that.
    elif device is None and now - sign_in.active_at >= settings.SIGN_IN_IDLE:
        how = SignIn.Ended.IDLE
    elif device is not None and device.revoked_at is not None:
        how = SignIn.Ended.REVOKED
    elif sign_in.device_id is not None and (device is None or device.pk != sign_in.device_id):
        how = SignIn.Ended.BROKEN
    if how:
        _leave(request, user, sign_in, how)
        return
    if sign_in.device_id is None and device is not None:
        sign_in_place(sign_in=sign_in, device=device)
    request.sign_in = sign_in  # type: ignore[attr-defined]


def _leave(request: HttpRequest, user: User, sign_in: SignIn, how: str) -> None:
    """Make nobody of whose sign-in does not stand any more."""
    if how in (SignIn.Ended.IDLE, SignIn.Ended.LIMIT):
        actor = Actor(user_id=user.pk, label=user.name)
        sign_in_run_out(sign_in=sign_in, how=how, actor=actor)
    else:
        sign_in_end(sign_in=sign_in, how=how)
    request.session.flush()
    request.user = AnonymousUser()
    if words := _LEFT.get(how):
        messages.info(request, words)


def _locked(
    request: HttpRequest, sign_in: SignIn, device: Device, *, background: bool
) -> HttpResponse:
    """Lead to the lock screen. Nothing is written; what a page asks for by script is told 423 and keeps the page."""
    scripted = _scripted(request)
    page = "" if background else _page(request)
    at = lock_moment(sign_in.active_at, sign_in.locked_at, device.lock_minutes)
    sign_in_lock(sign_in=sign_in, at=at, page=page)
    if scripted:
        return HttpResponse("Locked.", status=LOCKED, content_type="text/plain")
    if request.method == "GET":
        return redirect("lock")
    return render(request, "people/devices/locked_post.html", status=LOCKED)


def _scripted(request: HttpRequest) -> bool:
    """Whether a script of a page sent this; browsers that say nothing about it are taken at htmx's word."""
    mode = request.headers.get("Sec-Fetch-Mode")
    return bool(request.htmx) or mode in ("cors", "same-origin")  # type: ignore[attr-defined]


def _page(request: HttpRequest) -> str:
    """Return where unlocking leads: the page asked for, or the one whose form was sent."""
    if request.method == "GET":
        return request.get_full_path()[:_LONGEST_PAGE]
    came = request.headers.get("Referer", "")
    if not url_has_allowed_host_and_scheme(came, {request.get_host()}, request.is_secure()):
        return ""
    return urlsplit(came).path[:_LONGEST_PAGE]


def _note_page(request: HttpRequest, response: HttpResponse) -> None:
    """Note that a page with records was shown on this device."""
    sign_in: SignIn | None = request.sign_in  # type: ignore[attr-defined]
    study = getattr(request, "study", None)
    match = request.resolver_match
    if sign_in is None or study is None or match is None or response.status_code != 200:
        return
    if getattr(match.func, "is_background", False):
        return
    kind, subject = _subject(match.route, match.kwargs)
    if (
        kind == DevicePage.Kind.LIST
        and getattr(match.func, "required_capability", None) in _NOBODYS
    ):
        return
    page_opened(
        sign_in=sign_in, study_id=study.pk, kind=kind, subject=subject, page=match.url_name or ""
    )


def _subject(route: str, kwargs: dict[str, Any]) -> tuple[str, str]:
    if "code" in kwargs:
        return DevicePage.Kind.VOLUNTEER, str(kwargs["code"])[:60]
    if "uid" in kwargs and "/visits/" in route:
        return DevicePage.Kind.VISIT, str(kwargs["uid"])
    if "uid" in kwargs:
        return DevicePage.Kind.RECORD, str(kwargs["uid"])
    return DevicePage.Kind.LIST, ""
