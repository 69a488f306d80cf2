"""The record."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.forms import TrailSearch
from studylab.reports.selectors.trail import csv_lines, found_events, seal_state, sentence

NOTHING_ASKED: dict[str, Any] = {"code": "", "who": "", "action": "", "first": None, "last": None}


@requires(Cap.RECORD_VIEW)
@require_GET
def record(request: StaffRequest, study: str) -> HttpResponse:
    """Show the audit trail, newest first, as the search asks; wrong input finds nothing and says why."""
    form = TrailSearch(request.GET or None)
    wrong = form.is_bound and not form.is_valid()
    wanted = form.cleaned_data if form.is_bound and not wrong else NOTHING_ASKED
    events = found_events(request.study, **wanted)
    page = Paginator(events.none() if wrong else events, 50).get_page(request.GET.get("page"))
    unsealed, newest = seal_state()
    rows = [(event, sentence(event)) for event in page.object_list]
    context = {
        "form": form, "page": page, "rows": rows, "unsealed": unsealed, "newest": newest,
        "narrowed": wrong or any(wanted.values()),
    }  # fmt: skip
    return render(request, "reports/record.html", context, status=422 if wrong else 200)


@requires(Cap.RECORD_VIEW)
@require_GET
def record_csv(request: StaffRequest, study: str) -> HttpResponse | StreamingHttpResponse:
    """Download what the search finds."""
    form = TrailSearch(request.GET)
    if not form.is_valid():
        return record(request, study)
    events = found_events(request.study, **form.cleaned_data)
    answer = StreamingHttpResponse(
        csv_lines(request.study, events), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="record-{request.study.slug}.csv"'
    return answer
