"""Deviations: the list, one with its course, and the three things done to it."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, next_url, posted
from studylab.participants.forms.path import CloseForm, DeviationForm, ExplainForm
from studylab.participants.forms.searches import DeviationSearchForm
from studylab.participants.models import Deviation
from studylab.participants.selectors import (
    access_deviation,
    barred_from_closing,
    closing_is_void,
    shown_deviation,
)
from studylab.participants.selectors.deviation_list import (
    DeviationSearch,
    by_month,
    deviations_csv,
    found_deviations,
)
from studylab.participants.selectors.open_ends import deviation_open_ends
from studylab.participants.selectors.owed import assessments_of
from studylab.participants.selectors.told import needs_telling
from studylab.participants.services import deviation_close, deviation_explain, deviation_record
from studylab.participants.services.deviations import CLOSING
from studylab.participants.services.reporting import due_of
from studylab.participants.views.acts import page_of

PER_PAGE = 50


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviations(request: StaffRequest, study: str) -> HttpResponse:
    """Show the study's deviations as the search asks, newest first, and how many there were month by month."""
    form = _search(request)
    wrong = form.is_bound and not form.is_valid()
    search = DeviationSearch() if wrong or not form.is_bound else form.search()
    rows = found_deviations(request.study, search)
    page = Paginator(rows.none() if wrong else rows, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "form": form, "page": page, "narrowed": wrong or search != DeviationSearch(),
        "months": [] if wrong else by_month(request.study, rows),
    }  # fmt: skip
    return render(request, "participants/deviations.html", context, status=422 if wrong else 200)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviations_download(request: StaffRequest, study: str) -> HttpResponse | StreamingHttpResponse:
    """Download what the search finds, one row per deviation."""
    form = _search(request)
    if form.is_bound and not form.is_valid():
        return deviations(request, study)
    search = form.search() if form.is_bound else DeviationSearch()
    lines = deviations_csv(found_deviations(request.study, search))
    answer = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="deviations-{request.study.slug}.csv"'
    return answer


def _search(request: StaffRequest) -> DeviationSearchForm:
    asked = {name for name in request.GET if name != "page"}
    return DeviationSearchForm(request.GET if asked else None, study=request.study)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviation(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show one deviation and what can be done about it."""
    found = access_deviation(request.study, uid)
    assessments = assessments_of(found)
    context = {
        "assessment": assessments[-1] if assessments else None,
        "assessments": len(assessments),
        "due": due_of(found, clock.now()),
        "needs_telling": needs_telling(found),
        "told": list(found.told.select_related("signature").order_by("-id")),
        "open_ends": deviation_open_ends(found, clock.now()) if found.state != "closed" else [],
        "deviation": found,
        "void": closing_is_void(found),
        "barred": request.actor.user_id in barred_from_closing(found),
    }
    return render(request, "participants/deviation.html", context)


@requires(Cap.DEVIATION_RECORD)
@require_http_methods(["GET", "POST"])
def deviation_add(request: StaffRequest, study: str) -> HttpResponse:
    """Record a deviation; the address may fill in who, what kind and where; `next` leads back to where somebody came from."""
    initial = {
        name: request.GET.get(name, "")[:size]
        for name, size in (("volunteer", 20), ("kind", 20), ("subject", 120))
    }
    form = DeviationForm(posted(request), study=request.study, initial=initial)

    def write() -> Deviation:
        cleaned = form.cleaned_data
        return deviation_record(
            study=request.study,
            participant=cleaned["volunteer"],
            kind=cleaned["kind"],
            what=cleaned["what"],
            subject=cleaned["subject"],
            occurred_at=cleaned["occurred_at"],
            aware_at=cleaned["aware_at"],
            breach=cleaned["breach"],
            actor=request.actor,
        )

    return answer_form(
        request, form=form, template="participants/deviation_add.html", write=write,
        done=lambda made: next_url(request) or page_of(request, made),
        message="Deviation recorded. It is explained and closed later.",
        context={
            "next": next_url(request),
            "back": next_url(request) or reverse("deviations", args=[request.study.slug]),
        },
    )  # fmt: skip


@requires(Cap.DEVIATION_RECORD)
@require_http_methods(["GET", "POST"])
def deviation_explain_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Explain a deviation."""
    found = access_deviation(request.study, uid)
    form = ExplainForm(posted(request))

    def write() -> Deviation:
        return deviation_explain(
            deviation=found, explanation=form.cleaned_data["explanation"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="participants/deviation_explain.html", write=write,
        done=lambda made: page_of(request, made),
        message="Explained. Somebody else closes it.", shown=shown_deviation(found), context={"deviation": found},
    )  # fmt: skip


@requires(Cap.DEVIATION_CLOSE)
@require_http_methods(["GET", "POST"])
def deviation_close_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Close an explained deviation by signature."""
    found = access_deviation(request.study, uid)
    form = CloseForm(posted(request))

    def write() -> Deviation:
        return deviation_close(
            deviation=found, password=form.cleaned_data["password"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="participants/deviation_close.html", write=write,
        done=lambda made: page_of(request, made), message="The deviation is closed.",
        shown=shown_deviation(found),
        context={"deviation": found, "meaning": CLOSING},
    )  # fmt: skip
