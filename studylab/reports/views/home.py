"""The first page after sign-in, and the list of everybody on the path."""

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.selectors.work import active_paths, counts_by_stage, step_url, work_for
from studylab.studies.selectors import current_protocol


@requires(Cap.HOME_VIEW)
@require_GET
def home(request: StaffRequest, study: str) -> HttpResponse:
    """Show what is the actor's to do now, most urgent first."""
    now = clock.now()
    context = {"groups": work_for(request.study, request.actor, now), "now": now}
    if request.actor.may(Cap.VOLUNTEER_VIEW):
        context["counts"] = counts_by_stage(active_paths(request.study, now))
        context["target"] = current_protocol(request.study).plan.target
        context["completed"] = request.study.participants.filter(status="completed").count()
    return render(request, "reports/home.html", context)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def people_on_path(request: StaffRequest, study: str) -> HttpResponse:
    """List everybody still on the path with their next step; `stage` narrows it."""
    rows = active_paths(request.study, clock.now())
    counts = counts_by_stage(rows)
    stage = request.GET.get("stage", "")
    shown = [row for row in rows if not stage or row.step.stage.replace("_", " ") == stage]
    page = Paginator(shown, 50).get_page(request.GET.get("page"))
    linked = [(row, step_url(request.study, row)) for row in page.object_list]
    context = {"rows": linked, "page": page, "counts": counts, "stage": stage}
    return render(
        request, "reports/people_on_path.html", context | {"current_section": "volunteers"}
    )
