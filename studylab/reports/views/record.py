"""The record."""

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from screening.services.exposure import note_seen
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.forms import TrailSearch
from studylab.reports.selectors.changes import changes_of
from studylab.reports.selectors.trail import (
    Wanted,
    csv_lines,
    found_events,
    seal_state,
    sentence,
)


@requires(Cap.RECORD_VIEW)
@require_GET
def record(request: StaffRequest, study: str) -> HttpResponse:
    """Show the audit trail, newest first, as the search asks; wrong input finds nothing and says why."""
    form = TrailSearch(request.GET or None)
    wrong = form.is_bound and not form.is_valid()
    wanted = form.wanted() if form.is_bound and not wrong else Wanted()
    events = found_events(request.study, wanted)
    page = Paginator(events.none() if wrong else events, 50).get_page(request.GET.get("page"))
    unsealed, newest = seal_state()
    shown = list(page.object_list)
    changes = changes_of(shown)
    note_seen(
        request.study,
        (event.participant_code for event in shown if event.pk in changes),
        "record",
        request.actor,
    )
    rows = [
        (event, sentence(event), event.subject_type.replace("_", " "), changes.get(event.pk, []))
        for event in shown
    ]
    context = {
        "form": form, "page": page, "rows": rows, "unsealed": unsealed, "newest": newest,
        "narrowed": wrong or wanted != Wanted(),
    }  # fmt: skip
    return render(request, "reports/record.html", context, status=422 if wrong else 200)


@requires(Cap.RECORD_VIEW)
@require_GET
def record_csv(request: StaffRequest, study: str) -> HttpResponse | StreamingHttpResponse:
    """Download what the search finds."""
    form = TrailSearch(request.GET)
    if not form.is_valid():
        return record(request, study)
    events = found_events(request.study, form.wanted())
    answer = StreamingHttpResponse(
        csv_lines(request.study, events), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="record-{request.study.slug}.csv"'
    return answer
