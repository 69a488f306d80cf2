"""The first page after sign-in, and the list of everybody on the path."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.selectors.asked import Asked
from studylab.reports.selectors.links import step_url
from studylab.reports.selectors.overview import safety_figures
from studylab.reports.selectors.path import MOST, STAGE_NAMES, counts_by_stage
from studylab.reports.selectors.path import people_on_path as everybody
from studylab.reports.selectors.work import work_for
from studylab.studies.selectors import current_protocol

PER_PAGE = 50


@requires(Cap.HOME_VIEW)
@require_GET
def home(request: StaffRequest, study: str) -> HttpResponse:
    """Show what is the actor's to do now, most urgent first."""
    now, actor = clock.now(), request.actor
    sees_people = actor.may(Cap.VOLUNTEER_VIEW)
    rows = everybody(request.study, now) if sees_people else []
    asked = Asked(request.study, now)
    context: dict[str, Any] = {"groups": work_for(actor, rows, asked)}
    if actor.may(Cap.RECORD_VIEW) and actor.may(Cap.SAFETY_VIEW):
        figures = safety_figures(actor, rows, asked)
        context["figures"] = figures
        context["standing"] = [one for one in figures if one.number]
        context["quiet"] = [one for one in figures if not one.number]
    if sees_people:
        context["counts"] = counts_by_stage(rows)
        context["target"] = current_protocol(request.study).plan.target
        context["completed"] = request.study.participants.filter(status="completed").count()
    return render(request, "reports/home.html", context)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def people_on_path(request: StaffRequest, study: str) -> HttpResponse:
    """List everybody still on the path with their next step; `stage` narrows it."""
    rows = everybody(request.study, clock.now())
    stage = request.GET.get("stage", "")
    stage = stage if stage in STAGE_NAMES else ""
    shown = [row for row in rows if not stage or row.step.stage == stage]
    page = Paginator(shown, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "rows": [(row, step_url(request.study, row, request.actor)) for row in page.object_list],
        "page": page,
        "counts": counts_by_stage(rows),
        "everybody": len(rows),
        "stage": stage,
        "stage_name": STAGE_NAMES.get(stage, ""),
        "most": MOST if len(rows) >= MOST else 0,
        "current_section": "volunteers",
    }
    return render(request, "reports/people_on_path.html", context)
