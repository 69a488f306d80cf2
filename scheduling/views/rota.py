"""Pages of the rota: shifts and other dated hours, and the files they come from."""

from itertools import islice
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.forms.rota import RotaFileForm, RotaTakeForm, ShiftForm, sealed
from scheduling.rules.rota import RotaPlan, RotaUnreadable
from scheduling.rules.rota_csv import example
from scheduling.selectors.resources import active_resources
from scheduling.selectors.rota import (
    RotaAsked,
    access_import,
    access_shift,
    imports,
    last_import,
    outside_hours,
    planned_rota,
    shifts_ahead,
)
from scheduling.services import rota as write
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.selectors import today_in

LINES_SHOWN = 200


@requires(Cap.SETUP_VIEW)
@require_GET
def resource_rota(request: StaffRequest, study: str) -> HttpResponse:
    """Shifts to come, the files that brought them, and visits outside anybody's hours."""
    now = clock.now()
    context = {
        "shifts": shifts_ahead(now),
        "imports": list(imports()[:10]),
        "last": last_import(),
        "outside": outside_hours(request.study, now),
        "zone": request.study.timezone,
    }
    return render(request, "scheduling/rota/rota.html", context)


@requires(Cap.LAB_TIMES)
@require_http_methods(["GET", "POST"])
def resource_shift_add(request: StaffRequest, study: str) -> HttpResponse:
    """Add hours on one date."""
    form = ShiftForm(posted(request), resources=active_resources())
    return answer_form(
        request,
        form=form,
        template="scheduling/resources/form.html",
        write=lambda: write.shift_add(**form.cleaned_data, actor=request.actor),
        done=lambda _: reverse("resource_rota", args=[study]),
        message="Added. On that day these hours replace the weekly ones.",
        context={
            "heading": "Add hours on one date",
            "submit": "Add",
            "zone": request.study.timezone,
        },
    )


@requires(Cap.LAB_TIMES)
@require_POST
def resource_shift_remove(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a shift away."""
    shift = access_shift(uid)
    write.shift_remove(shift=shift, actor=request.actor)
    messages.success(request, f"Taken away from {shift.resource.name}.")
    return redirect("resource_rota", study=study)


@requires(Cap.LAB_TIMES)
@require_http_methods(["GET", "POST"])
def resource_rota_file(request: StaffRequest, study: str) -> HttpResponse:
    """Take a file, and show what it would change before anything is written."""
    form = RotaFileForm(posted(request), request.FILES or None, resources=active_resources())
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            asked = form.asked(request.study.timezone)
            try:
                return _preview(request, asked, planned_rota(asked))
            except RotaUnreadable as problem:
                form.add_error("file", str(problem))
    context = {"form": form, "zone": request.study.timezone}
    return render(request, "scheduling/rota/file.html", context, status=status)


@requires(Cap.LAB_TIMES)
@require_POST
def resource_rota_take(request: StaffRequest, study: str) -> HttpResponse:
    """Take over the file that was previewed, all of it; with a problem come up since, none of it."""
    form = RotaTakeForm(request.POST)
    if not form.is_valid():
        messages.error(request, "The preview is too old. Choose the file again.")
        return redirect("resource_rota_file", study=study)
    asked: RotaAsked = form.cleaned_data["sealed"]
    try:
        made = write.rota_import(asked=asked, actor=request.actor)
    except write.RotaRefused as refusal:
        return _preview(request, asked, refusal.plan)
    if made is None:
        messages.info(request, "All of this file stands already: nothing was changed.")
    else:
        messages.success(
            request, f"Taken over: {made.added} added, {len(made.taken_away)} taken away."
        )
    return redirect("resource_rota", study=study)


@requires(Cap.LAB_TIMES)
@require_http_methods(["GET", "POST"])
def resource_rota_undo(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Undo the last file, after saying what that means."""
    row, back = access_import(uid), reverse("resource_rota", args=[study])
    if request.method == "POST":
        write.rota_undo(rota_import=row, actor=request.actor)
        messages.success(request, f"{row.file_name} is undone.")
        return redirect(back)
    context = {
        "import": row, "goes": row.shifts.count(), "comes": len(row.taken_away), "cancel": back,
    }  # fmt: skip
    return render(request, "scheduling/rota/undo.html", context)


@requires(Cap.SETUP_VIEW)
@require_GET
def resource_rota_example(request: StaffRequest, study: str) -> HttpResponse:
    """A small CSV file to begin with."""
    names = (row.name for row in islice(active_resources().exclude(user=None), 3))
    answer = HttpResponse(
        example(today_in(request.study.timezone), names), content_type="text/csv; charset=utf-8"
    )
    answer.headers["Content-Disposition"] = 'attachment; filename="rota.csv"'
    return answer


def _preview(request: StaffRequest, asked: RotaAsked, plan: RotaPlan) -> HttpResponse:
    context: dict[str, Any] = {
        "asked": asked,
        "plan": plan,
        "unit": "Event" if asked.is_calendar else "Line",
        "shown": plan.new[:LINES_SHOWN],
        "more": max(0, len(plan.new) - LINES_SHOWN),
        "ready": not plan.problems and bool(plan.new or plan.gone),
        "sealed": sealed(asked),
        "zone": request.study.timezone,
    }
    status = 422 if plan.problems else 200
    return render(request, "scheduling/rota/preview.html", context, status=status)
