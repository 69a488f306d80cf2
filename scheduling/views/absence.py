"""Somebody is late or missing, and taking back the last change: a tap on Today, a tap here."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from scheduling.forms.absence import QUICK, MissedForm, TalkForm
from scheduling.forms.booking import ChoiceForm
from scheduling.models import SeriesChange, Visit
from scheduling.selectors.absent import was_dosed
from scheduling.selectors.late import late_shown, looked_for, missed_means
from scheduling.selectors.sealed import open_option
from scheduling.selectors.sheet import access_visit
from scheduling.services.missing import visit_late as late
from scheduling.services.missing import visit_missed as missed
from scheduling.services.talks import absent_talk
from scheduling.services.undo import change_undo
from scheduling.views.words import sheet_url
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, StudylabError
from studylab.http import StaffRequest, take_refusal
from studylab.studies.selectors import plan_of


@requires(Cap.ABSENCE_RECORD)
@require_http_methods(["GET", "POST"])
def visit_absent(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Late or missing: what can still be kept, what the study's rule makes of it, and each in one press."""
    visit = _awaited(request, uid)
    if request.method == "GET":
        return _page(request, visit, MissedForm())
    if "late" in request.POST:
        return _late(request, visit)
    form = MissedForm(request.POST)
    if not form.is_valid():
        return _page(request, visit, form, status=422)
    try:
        missed(visit=visit, reason=form.why(), actor=request.actor)
    except StudylabError as refusal:
        take_refusal(form, refusal)
        return _page(request, visit, form, status=refusal.status)
    messages.success(
        request, f"Visit {visit.number} is recorded as missed. It can be taken back for 15 minutes."
    )
    return redirect(_series(visit))  # fmt: skip


@requires(Cap.ABSENCE_RECORD)
@require_POST
def visit_looked_for(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record a try to reach somebody who did not come."""
    visit = _awaited(request, uid)
    form = TalkForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            absent_talk(visit=visit, actor=request.actor, **form.said())
        except StudylabError as refusal:
            take_refusal(form, refusal)
            status = refusal.status
        else:
            messages.success(request, "The try is recorded.")
            return redirect("visit_absent", study=study, uid=uid)
    return _page(request, visit, MissedForm(), talk=form, status=status)


@requires(Cap.ABSENCE_RECORD)
@require_POST
def series_change_undo(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take back the last change of a series."""
    change = (
        SeriesChange.objects.filter(uid=uid, series__participant__study=request.study)
        .select_related("series__participant__study")
        .first()
    )
    if change is None:
        raise Http404("There is no such change in this study.")
    try:
        change_undo(change=change, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, "Taken back: the series is as it was before.")
    return redirect("series_view", study=study, code=change.series.participant.code)


def _awaited(request: StaffRequest, uid: UUID) -> Visit:
    """Return the visit when somebody is late for it."""
    visit = access_visit(request.study, uid)
    if visit.state != Visit.State.BOOKED or clock.now() < visit.planned.lower:
        raise Conflict(
            f"Visit {visit.number} is {visit.get_state_display()}"
            f"{'' if visit.state != Visit.State.BOOKED else ' and not due yet'}: nobody is late."
        )
    return visit


def _late(request: StaffRequest, visit: Visit) -> HttpResponse:
    form = ChoiceForm(request.POST)
    try:
        option = open_option(
            form.data.get("option", ""), version=visit.series.protocol_version, about=str(visit.uid)
        )
        late(visit=visit, option=option, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        return _page(request, visit, MissedForm(), refusal=refusal, status=refusal.status)
    messages.success(
        request, f"Visit {visit.number} has its new time. Start it when the volunteer sits."
    )
    return redirect(sheet_url(visit))  # fmt: skip


def _page(
    request: StaffRequest,
    visit: Visit,
    form: MissedForm,
    *,
    talk: TalkForm | None = None,
    refusal: StudylabError | None = None,
    status: int = 200,
) -> HttpResponse:
    now = clock.now()
    plan = plan_of(visit.series.protocol_version)
    context: dict[str, Any] = {
        "visit": visit,
        "participant": visit.participant,
        "form": form,
        "talk": talk or TalkForm(),
        "refusal": refusal,
        "late": late_shown(visit, now),
        "means": missed_means(visit, now),
        "dosed": was_dosed(visit.series),
        "looked": looked_for(visit, plan, now),
        "quick": QUICK,
        "minutes": int((now - visit.planned.lower).total_seconds() // 60),
        "zone": request.study.timezone,
        "current_section": "today",
        "now": now,
    }
    return render(request, "scheduling/absence/absent.html", context, status=status)


def _series(visit: Visit) -> str:
    return reverse("series_view", args=[visit.participant.study.slug, visit.participant.code])
