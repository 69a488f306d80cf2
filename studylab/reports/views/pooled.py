"""Values before and after the dose, pooled over the arms: looking is a step of its own, and is on record."""

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET

from screening.services.exposure import pooled_seen
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.rules.pooled import Release
from studylab.reports.selectors.pooled import looks_at, pooled_chart, pooling_of, release_of
from studylab.reports.views.progress import chart_file


@requires(Cap.POOLED_VIEW)
@require_GET
def pooled(request: StaffRequest, study: str) -> HttpResponse:
    """Say when pooled values are released and who looked; no value stands here."""
    found = release_of(request.study)
    context = {
        "plan": pooling_of(request.study),
        "people": len(found.people) if found else 0,
        "looks": looks_at(request.study),
        "current_section": "volunteers",
    }
    return render(request, "reports/progress/pooled.html", context)


@requires(Cap.POOLED_VIEW)
@require_GET
def pooled_values(request: StaffRequest, study: str) -> HttpResponse:
    """Show the newest release and note who looked; back to the page before while everything is withheld."""
    found = release_of(request.study)
    if found is None:
        return redirect("progress_pooled", study=request.study.slug)
    _note(request, found)
    context = {
        "plan": pooling_of(request.study),
        "people": len(found.people),
        "as_of": found.as_of,
        "chart": pooled_chart(found),
        "file_page": "progress_pooled_file",
        "open_table": True,
        "current_section": "volunteers",
    }
    return render(request, "reports/progress/pooled_values.html", context)


@requires(Cap.POOLED_VIEW)
@require_GET
def pooled_file(request: StaffRequest, study: str, chart: str, form: str) -> HttpResponse:
    """Hand out the newest release and note who took it."""
    found = release_of(request.study)
    if chart != "pooled" or found is None:
        raise Http404
    answer = chart_file(request, pooled_chart(found), form)
    _note(request, found)
    return answer


def _note(request: StaffRequest, found: Release) -> None:
    pooled_seen(study=request.study, people=found.people, as_of=found.as_of, actor=request.actor)
