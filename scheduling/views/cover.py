"""Being at the site as the physician on cover."""

from datetime import datetime

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from scheduling.forms.contacts import CoverForm
from scheduling.models import CoverPresence
from scheduling.selectors.today import cover_now, today_of, watched_now
from scheduling.services.cover import cover_check_in, cover_check_out, cover_confirm
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import NotAllowed, RefusedWithReasons, StudylabError
from studylab.forms import local_minute
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.selectors import today_in


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def cover(request: StaffRequest, study: str) -> HttpResponse:
    """Check in at the site until a time, or move that time."""
    mine = _mine(request)
    until = mine.until if mine else _last_end(request)
    initial = {"whereabouts": mine.whereabouts if mine else ""}
    if until:
        initial["until"] = local_minute(until)
    form = CoverForm(posted(request), initial=initial)

    def write() -> CoverPresence:
        return cover_check_in(actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/today/cover.html", write=write,
        done=lambda _: reverse("today", args=[request.study.slug]), message="You are on cover.",
        context={
            "current_section": "today", "mine": mine, "watched": watched_now(request.study),
            "back": reverse("today", args=[request.study.slug]),
        },
    )  # fmt: skip


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def cover_out(request: StaffRequest, study: str) -> HttpResponse:
    """Check out; refused while somebody between dose and leaving would be without a physician.

    A page reloaded here shows Today again.
    """
    if request.method != "POST":
        return redirect("today", study=study)
    try:
        cover_check_out(actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        reasons = refusal.reasons if isinstance(refusal, RefusedWithReasons) else ()
        context = {
            "current_section": "today",
            "heading": "You are still on cover",
            "text": refusal.message,
            "reasons": reasons,
            "back": reverse("today", args=[request.study.slug]),
        }
        return render(request, "scheduling/today/cover_kept.html", context, status=refusal.status)
    messages.success(request, "You are checked out.")
    return redirect("today", study=study)


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def cover_still(request: StaffRequest, study: str) -> HttpResponse:
    """Say to be still at the site; a page reloaded here shows Today again."""
    if request.method != "POST":
        return redirect("today", study=study)
    try:
        cover_confirm(actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, "On record: you are at the site.")
    return redirect("today", study=study)


def _mine(request: StaffRequest) -> CoverPresence | None:
    here = cover_now(request.study, clock.now())
    return next((one for one in here if one.user_id == request.actor.user_id), None)


def _last_end(request: StaffRequest) -> datetime | None:
    """Return when the last visit of today is planned to end, if that is still ahead."""
    now = clock.now()
    ends = [row.ends for row in today_of(request.study, today_in(request.study.timezone), at=now)]
    latest = max(ends, default=now)
    return latest if latest > now else None
