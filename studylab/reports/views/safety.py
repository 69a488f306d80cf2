"""Safety: what is open in the study, the adverse events, and one of them."""

from uuid import UUID

from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.views.words import CONTACT_KINDS, CONTACT_WORDS
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.participants.rules.events import CRITERIA, GRADES, OUTCOMES, RELATIONS
from studylab.participants.selectors.events import EventSearch, access_event, found_events
from studylab.reports.forms import EventSearchForm
from studylab.reports.selectors.events import event_page, events_csv
from studylab.reports.selectors.safety import safety_page
from studylab.studies.selectors import current_protocol

WORDS = {"grades": GRADES, "criteria": CRITERIA, "outcomes": OUTCOMES, "relations": RELATIONS}
PER_PAGE = 50


@requires(Cap.SAFETY_VIEW)
@require_GET
def safety(request: StaffRequest, study: str) -> HttpResponse:
    """Show what is open first: pauses, holds, serious events, reports, contacts; never a value, never an arm."""
    context = safety_page(request.study, request.actor, clock.now())
    context |= {"contact_kinds": CONTACT_KINDS, "contact_words": CONTACT_WORDS, **WORDS}
    return render(request, "reports/safety.html", context)


@requires(Cap.SAFETY_VIEW)
@require_GET
def events(request: StaffRequest, study: str) -> HttpResponse:
    """List the adverse events as the search asks; wrong input finds nothing and says why."""
    form = _search(request)
    wrong = form.is_bound and not form.is_valid()
    search = EventSearch() if wrong or not form.is_bound else form.search()
    rows = found_events(request.study, search)
    page = Paginator(rows.none() if wrong else rows, PER_PAGE).get_page(request.GET.get("page"))
    context = {"form": form, "page": page, "narrowed": wrong or search != EventSearch(), **WORDS}
    return render(request, "reports/events.html", context, status=422 if wrong else 200)


@requires(Cap.SAFETY_VIEW)
@require_GET
def events_download(request: StaffRequest, study: str) -> HttpResponse | StreamingHttpResponse:
    """Download what the search finds, one row per event."""
    form = _search(request)
    if form.is_bound and not form.is_valid():
        return events(request, study)
    search = form.search() if form.is_bound else EventSearch()
    rows = found_events(request.study, search).annotate(written=Count("event__entries"))
    answer = StreamingHttpResponse(events_csv(rows), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="events-{request.study.slug}.csv"'
    return answer


@requires(Cap.SAFETY_VIEW)
@require_GET
def event(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show one event: what is known, what is due, and everything ever entered about it."""
    found = access_event(request.study, uid)
    return render(request, "reports/event.html", {**event_page(found, clock.now()), **WORDS})


def _search(request: StaffRequest) -> EventSearchForm:
    plan = current_protocol(request.study).plan.safety
    asked = {name for name in request.GET if name != "page"}
    return EventSearchForm(request.GET if asked else None, study=request.study, terms=plan.terms)
