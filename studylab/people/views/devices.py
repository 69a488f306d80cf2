"""Devices of the lab: naming the browser in hand, lock time, revoking."""

from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import clock
from studylab.access import Cap, for_revoked, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.people.device_forms import DeviceForm, LockTimeForm, RevokeForm
from studylab.people.models import Device
from studylab.people.rules.devices import clock_is_wrong, clock_words
from studylab.people.selectors import people_of_study
from studylab.people.selectors.devices import (
    access_device,
    clocks_of,
    device_people,
    devices_of,
    signed_in_twice,
    wrong_clocks,
)
from studylab.people.services.devices import device_enrol, device_lock_time, device_revoke

COOKIE_AGE = 400 * 24 * 3600  # what browsers keep at most (RFC 6265bis, 5.6)


def _list(request: StaffRequest) -> str:
    return reverse("devices", args=[request.study.slug])


def _page(request: StaffRequest, device: Device) -> str:
    return reverse("device", args=[request.study.slug, device.uid])


@requires(Cap.DEVICE_MANAGE)
@require_GET
def devices(request: StaffRequest, study: str) -> HttpResponse:
    """Show every device, the one in hand first, and who is signed in at two places."""
    rows = list(devices_of(request.study))
    context = {
        "off": {one.pk for one, _words in wrong_clocks(request.study)},
        "here": request.device,  # type: ignore[attr-defined]
        "live": [one for one in rows if one.revoked_at is None],
        "revoked": [one for one in rows if one.revoked_at is not None],
        "twice": signed_in_twice(people_of_study(request.study), clock.now()),
    }
    return render(request, "people/devices/devices.html", context)


@requires(Cap.DEVICE_MANAGE)
@require_http_methods(["GET", "POST"])
def device_add(request: StaffRequest, study: str) -> HttpResponse:
    """Make the browser in hand a device of the lab: it gets a cookie that only it and the server's digest know."""
    here: Device | None = request.device  # type: ignore[attr-defined]
    if here is not None:
        messages.info(request, f"This browser is {here.name} already.")
        return redirect(_list(request))
    form = DeviceForm(posted(request))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = device_enrol(
                    study=request.study, sign_in=request.sign_in, actor=request.actor,  # type: ignore[attr-defined]
                    **form.cleaned_data,
                )  # fmt: skip
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(request, f"This browser is {made.device.name} from now on.")
                response = redirect(_page(request, made.device))
                give_cookie(response, made.cookie)
                return response
    context = {"form": form, "cancel": _list(request)}
    return render(request, "people/devices/add.html", context, status=status)


def give_cookie(response: HttpResponse, value: str) -> None:
    """Put the secret of a device into the browser, or keep it there for another 400 days."""
    response.set_cookie(
        settings.DEVICE_COOKIE_NAME, value, max_age=COOKIE_AGE, httponly=True, samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )  # fmt: skip


@requires(Cap.DEVICE_MANAGE)
@require_http_methods(["GET", "POST"])
def device(request: StaffRequest, study: str, device: UUID) -> HttpResponse:
    """Show one device and who used it; change when it locks."""
    found = access_device(request.study, device)
    form = LockTimeForm(posted(request), initial={"lock_minutes": found.lock_minutes})
    offset = found.clock_offset_ms
    return answer_form(
        request,
        form=form,
        edits=lambda: LockTimeForm(
            initial={"lock_minutes": access_device(request.study, found.uid).lock_minutes}
        ),
        template="people/devices/device.html",
        write=lambda: device_lock_time(device=found, actor=request.actor, **form.cleaned_data),
        done=lambda _changed: _page(request, found),
        message="The lock time is changed.",
        context={
            "device": found,
            "is_here": request.device == found,  # type: ignore[attr-defined]
            "sign_ins": device_people(found)[:50],
            "clocks": clocks_of(found),
            "clock": clock_words(offset) if offset is not None else "",
            "clock_wrong": offset is not None and clock_is_wrong(offset),
        },
    )


@requires(Cap.DEVICE_MANAGE)
@require_http_methods(["GET", "POST"])
def device_withdraw(request: StaffRequest, study: str, device: UUID) -> HttpResponse:
    """Revoke a device, after asking."""
    found = access_device(request.study, device)
    form = RevokeForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="people/devices/revoke.html",
        write=lambda: device_revoke(device=found, actor=request.actor, **form.cleaned_data),
        done=lambda _revoked: _page(request, found),
        message=f"{found.name} is revoked; everybody on it is signed out.",
        context={"device": found, "cancel": _page(request, found)},
    )


@requires(Cap.ANYONE)
@for_revoked
@require_POST
def device_forget(request: HttpRequest) -> HttpResponse:
    """Let a revoked device become an unknown browser again, so that it can be signed in to and named anew."""
    here: Device | None = request.device  # type: ignore[attr-defined]
    response = redirect("sign_in")
    if here is not None and here.revoked_at is not None:
        response.delete_cookie(settings.DEVICE_COOKIE_NAME, samesite="Lax")
    return response
