"""The record and safety."""

from typing import Any

from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.models import AfterContact
from scheduling.selectors.today import contacts_due
from scheduling.views.words import CONTACT_KINDS, CONTACT_WORDS
from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation.selectors import reveals_of
from studylab.http import StaffRequest
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.reports.forms import TrailSearch
from studylab.reports.selectors.trail import csv_lines, found_events, seal_state, sentence
from studylab.studies.models import Study

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


@requires(Cap.SAFETY_VIEW)
@require_GET
def safety(request: StaffRequest, study: str) -> HttpResponse:
    """Show holds, contacts, deviations and opened codes; never a value, never an arm."""
    may_see_reveals = request.actor.may(Cap.REVEALS_VIEW)
    contacts = AfterContact.objects.filter(participant__study=request.study, reached=True)
    context = {
        "holds": open_holds(request.study),
        "due": contacts_due(request.study, clock.now()),
        "contact_kinds": CONTACT_KINDS,
        "contact_words": CONTACT_WORDS,
        "kinds": _deviations_by_kind(request.study),
        "reveals": len(reveals_of(request.study)) if may_see_reveals else 0,
        "reached": contacts.count(),
        "with_symptoms": contacts.filter(symptoms=True).count(),
    }
    return render(request, "reports/safety.html", context)


def _deviations_by_kind(study: Study) -> list[tuple[str, int, int, int]]:
    """Return (kind in words, to explain, to close, closed) for every kind that occurred."""
    found = deviations_of(study).order_by().values_list("kind", "state").annotate(n=Count("id"))
    numbers = {(kind, state): n for kind, state, n in found}
    states = Deviation.State
    return [
        (label, *(numbers.get((kind, state), 0) for state in (states.OPEN, states.EXPLAINED, states.CLOSED)))
        for kind, label in Deviation.Kind.choices
        if any(seen == kind for seen, _state in numbers)
    ]  # fmt: skip
