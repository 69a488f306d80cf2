"""The lock screen of a device, changing users there, and where else somebody is signed in."""

from datetime import datetime
from uuid import UUID

from django.conf import settings
from django.contrib.auth import logout
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import clock
from studylab.access import Cap, in_background, requires, while_locked, while_read_only
from studylab.http import StaffRequest, next_url, posted
from studylab.people.device_forms import ChangeUserForm, PasswordHere
from studylab.people.device_middleware import locked_now
from studylab.people.entering import enter
from studylab.people.models import Device, SignIn, User
from studylab.people.rules.devices import lock_moment
from studylab.people.selectors.devices import live_sign_ins, quick_people
from studylab.people.services.sign_in import note_unlock
from studylab.people.services.sign_ins import (
    clock_measured,
    sign_in_lock,
    sign_in_seen,
    sign_in_unlock,
    sign_ins_end_elsewhere,
)
from studylab.people.views.devices import give_cookie

_TOO_MANY = 429


class DeviceRequest(StaffRequest):
    """A request of somebody signed in, with the device and the sign-in that the middleware found."""

    device: Device | None
    sign_in: SignIn


@requires(Cap.SIGNED_IN)
@while_locked
@require_GET
def lock(request: DeviceRequest) -> HttpResponse:
    """Show the lock screen; on what is not locked, go to the start page."""
    if request.device is None or not locked_now(request.sign_in, request.device):
        return redirect("home_site")
    form = PasswordHere(None, request=request, people=[_user(request)])
    return render(request, "people/devices/lock.html", {"form": form, "is_lock_page": True})


@requires(Cap.SIGNED_IN)
@while_read_only
@while_locked
@require_POST
def lock_now(request: DeviceRequest) -> HttpResponse:
    """Lock the device in hand at once."""
    if request.device is not None:
        sign_in_lock(sign_in=request.sign_in, at=clock.now(), page=next_url(request)[:400])
    return redirect("lock")


@requires(Cap.SIGNED_IN)
@while_read_only
@while_locked
@sensitive_post_parameters()
@require_POST
def unlock(request: DeviceRequest) -> HttpResponse:
    """Unlock by the password of whoever is signed in. Scripts get 204, or the refusal as JSON."""
    if request.device is None:
        return redirect("home_site")
    form = PasswordHere(request.POST, request=request, people=[_user(request)])
    scripted = "application/json" in request.headers.get("Accept", "")
    if not form.is_valid():
        status = _TOO_MANY if form.blocked else 422
        if scripted:
            said = " ".join(str(error) for errors in form.errors.values() for error in errors)
            return JsonResponse({"said": said}, status=status)
        context = {"form": form, "is_lock_page": True}
        return render(request, "people/devices/lock.html", context, status=status)
    back = request.sign_in.locked_page
    sign_in_unlock(sign_in=request.sign_in)
    note_unlock(_user(request), request.device)
    return HttpResponse(status=204) if scripted else redirect(back or "home_site")


@requires(Cap.SIGNED_IN)
@while_read_only
@while_locked
@in_background
@require_POST
def still_here(request: DeviceRequest) -> HttpResponse:
    """Take whether somebody touched the page (`active`) and the device's clock; say when the page locks, or the sign-in ends."""
    device, sign_in = request.device, request.sign_in
    now = clock.now()
    if device is None:
        if request.POST.get("active") == "1":
            sign_in_seen(sign_in=sign_in, device=None, active=True)
            sign_in.active_at = max(sign_in.active_at, now)
        ends = min(
            sign_in.active_at + settings.SIGN_IN_IDLE, sign_in.began_at + settings.SIGN_IN_LONGEST
        )
        said = {"now": now.isoformat(), "locks_in": None, "ends_in": (ends - now).total_seconds()}
        return JsonResponse(said)
    locked = locked_now(sign_in, device)
    if request.POST.get("active") == "1" and not locked:
        sign_in_seen(sign_in=sign_in, device=device, active=True)
        sign_in.active_at = max(sign_in.active_at, now)
    if (at := _instant(request.POST.get("device_at", ""))) is not None:
        clock_measured(device=device, device_at=at)
    moment = lock_moment(sign_in.active_at, sign_in.locked_at, device.lock_minutes)
    seconds = 0 if locked else max(0.0, (moment - now).total_seconds())
    return JsonResponse({"now": now.isoformat(), "locks_in": seconds})


def _instant(text: str) -> datetime | None:
    """Return an instant with its zone, or None: what a page sends by itself is no entry of a person."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo is not None else None


@requires(Cap.ANYONE)
@while_read_only
@while_locked
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def change_user(request: HttpRequest) -> HttpResponse:
    """Let somebody who is known to this device take it over: their name, their password."""
    device: Device | None = request.device  # type: ignore[attr-defined]
    if device is None:
        return redirect("sign_in")
    people = quick_people(device)
    form = ChangeUserForm(posted(request), request=request, people=people)
    form.fields["person"].initial = request.GET.get("person", "")
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid() and form.user is not None:
            request.sign_out_how = SignIn.Ended.CHANGED  # type: ignore[attr-defined]
            logout(request)
            response = enter(request, form.user, next_url(request))
            give_cookie(response, request.COOKIES[settings.DEVICE_COOKIE_NAME])
            return response
        status = _TOO_MANY if form.blocked else status
    context = {"form": form, "people": people, "device": device, "next": next_url(request)}
    return render(request, "people/devices/change_user.html", context, status=status)


@requires(Cap.SIGNED_IN)
@while_read_only
@require_http_methods(["GET", "POST"])
def sign_ins(request: DeviceRequest) -> HttpResponse:
    """Show where somebody is signed in, and end the others."""
    others = live_sign_ins(clock.now()).filter(user=_user(request)).exclude(pk=request.sign_in.pk)
    if request.method == "POST":
        chosen = others.filter(uid=one) if (one := _uid(request.POST.get("one"))) else others
        sign_ins_end_elsewhere(chosen=list(chosen), actor=request.actor)
        return redirect("my_sign_in")
    context = {"here": request.sign_in, "others": others}
    return render(request, "people/devices/sign_ins.html", context)


def _uid(text: str | None) -> UUID | None:
    """Return which sign-in is to end; None for all others."""
    if not text:
        return None
    try:
        return UUID(text)
    except ValueError:
        raise Http404("There is no such sign-in.") from None


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user
