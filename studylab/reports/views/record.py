"""The record and safety."""

from collections import Counter

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.models import AfterContact
from scheduling.selectors.today import contacts_due
from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation.selectors import reveals_of
from studylab.http import StaffRequest
from studylab.participants.selectors import deviations_of, open_holds
from studylab.reports.forms import TrailSearch
from studylab.reports.selectors.trail import csv_lines, found_events, seal_state, sentence


@requires(Cap.RECORD_VIEW)
@require_GET
def record(request: StaffRequest, study: str) -> HttpResponse:
    """Show the audit trail, newest first, as the search asks; wrong input finds nothing and says why."""
    form = TrailSearch(request.GET or None)
    wanted = form.cleaned_data if form.is_valid() else {}
    status = 422 if form.is_bound and not form.is_valid() else 200
    events = found_events(
        request.study, code=wanted.get("code", ""), who=wanted.get("who", ""),
        action=wanted.get("action", ""), first=wanted.get("first"), last=wanted.get("last"),
    )  # fmt: skip
    page = Paginator(events, 50).get_page(request.GET.get("page"))
    unsealed, newest = seal_state()
    rows = [(event, sentence(event)) for event in page.object_list]
    context = {"form": form, "page": page, "rows": rows, "unsealed": unsealed, "newest": newest}
    return render(request, "reports/record.html", context, status=status)


@requires(Cap.RECORD_VIEW)
@require_GET
def record_csv(request: StaffRequest, study: str) -> HttpResponse | StreamingHttpResponse:
    """Download what the search finds."""
    form = TrailSearch(request.GET)
    if not form.is_valid():
        return record(request, study)
    events = found_events(request.study, **form.cleaned_data)
    answer = StreamingHttpResponse(csv_lines(events), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="record-{request.study.slug}.csv"'
    return answer


@requires(Cap.SAFETY_VIEW)
@require_GET
def safety(request: StaffRequest, study: str) -> HttpResponse:
    """Show holds, contacts, deviations and opened codes; never a value, never an arm."""
    deviations = list(deviations_of(request.study).select_related("participant"))
    kinds = Counter((d.get_kind_display(), d.get_state_display()) for d in deviations)
    contacts = AfterContact.objects.filter(participant__study=request.study, reached=True)
    context = {
        "holds": open_holds(request.study).select_related("participant"),
        "due": contacts_due(request.study, clock.now()),
        "kinds": sorted((kind, state, n) for (kind, state), n in kinds.items()),
        "open_deviations": [d for d in deviations if d.state != "closed"][:50],
        "reveals": reveals_of(request.study) if request.actor.may(Cap.REVEALS_VIEW) else [],
        "reached": contacts.count(),
        "with_symptoms": contacts.filter(symptoms=True).count(),
    }
    return render(request, "reports/safety.html", context)
