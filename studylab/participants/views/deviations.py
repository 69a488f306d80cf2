"""Deviations: the list, one with its course, and the three things done to it."""

from uuid import UUID

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, next_url
from studylab.participants.forms.path import CloseForm, DeviationForm, ExplainForm
from studylab.participants.models import Deviation
from studylab.participants.selectors import (
    access_deviation,
    barred_from_closing,
    closing_is_void,
    deviations_of,
)
from studylab.participants.services import deviation_close, deviation_explain, deviation_record
from studylab.participants.services.deviations import CLOSING

PER_PAGE = 50
SHOWS = [("", "All"), *Deviation.State.choices]


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviations(request: StaffRequest, study: str) -> HttpResponse:
    """Show the study's deviations, newest first."""
    show = request.GET.get("show", "")
    show = show if show in dict(SHOWS) else ""
    page = Paginator(deviations_of(request.study, show), PER_PAGE).get_page(request.GET.get("page"))
    return render(
        request, "participants/deviations.html", {"page": page, "shows": SHOWS, "show": show}
    )


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def deviation(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show one deviation and what can be done about it."""
    found = access_deviation(request.study, uid)
    context = {
        "deviation": found,
        "void": closing_is_void(found),
        "barred": request.actor.user_id in barred_from_closing(found),
    }
    return render(request, "participants/deviation.html", context)


@requires(Cap.DEVIATION_RECORD)
@require_http_methods(["GET", "POST"])
def deviation_add(request: StaffRequest, study: str) -> HttpResponse:
    """Record a deviation; ?volunteer=CODE fills the code in, `next` leads back to where somebody came from."""
    initial = {"volunteer": request.GET.get("volunteer", "")[:20]}
    form = DeviationForm(request.POST or None, study=request.study, initial=initial)

    def write() -> Deviation:
        cleaned = form.cleaned_data
        return deviation_record(
            study=request.study,
            participant=cleaned["volunteer"],
            kind=cleaned["kind"],
            what=cleaned["what"],
            subject=cleaned["subject"],
            occurred_at=cleaned["occurred_at"],
            actor=request.actor,
        )

    return answer_form(
        request, form=form, template="participants/deviation_add.html", write=write,
        done=lambda made: next_url(request) or _address(request, made),
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
    form = ExplainForm(request.POST or None)

    def write() -> Deviation:
        return deviation_explain(
            deviation=found, explanation=form.cleaned_data["explanation"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="participants/deviation_explain.html", write=write,
        done=lambda made: _address(request, made),
        message="Explained. Somebody else closes it.", context={"deviation": found},
    )  # fmt: skip


@requires(Cap.DEVIATION_CLOSE)
@require_http_methods(["GET", "POST"])
def deviation_close_view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Close an explained deviation by signature."""
    found = access_deviation(request.study, uid)
    form = CloseForm(request.POST or None)

    def write() -> Deviation:
        return deviation_close(
            deviation=found, password=form.cleaned_data["password"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="participants/deviation_close.html", write=write,
        done=lambda made: _address(request, made), message="The deviation is closed.",
        context={"deviation": found, "meaning": CLOSING},
    )  # fmt: skip


def _address(request: StaffRequest, found: Deviation) -> str:
    return reverse("deviation", args=[request.study.slug, found.uid])
