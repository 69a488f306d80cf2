"""Planned unblinding, and the opened list for everybody of the study to verify."""

import csv
import io

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.blinding import DataLockForm, OpeningAgreeForm, OpeningAskForm
from studylab.allocation.models import ListOpening
from studylab.allocation.selectors.unblinding import guess_tables, opening_state, read_opened
from studylab.http import StaffRequest, answer_form


def _back(request: StaffRequest) -> str:
    return reverse("unblinding", kwargs={"study": request.study.slug})


@requires(Cap.STUDY_VIEW)
@require_GET
def unblinding(request: StaffRequest, study: str) -> HttpResponse:
    """Show how far the unblinding is, and who does what next."""
    return render(request, "allocation/unblinding.html", {"state": opening_state(request.study)})


@requires(Cap.DATA_LOCK)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def data_lock(request: StaffRequest, study: str) -> HttpResponse:
    """Declare the data locked."""
    form = DataLockForm(request.POST or None)
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.data_lock(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _lock: _back(request),
        message="The data are declared locked.",
        context={
            "heading": "Declare the data locked",
            "text": "After this the list may be opened. It cannot be taken back, and nobody should be able to say "
            "later that a value was changed by somebody who knew the arms.",
            "submit": "Declare the data locked",
            "cancel": _back(request),
            "danger": True,
        },
    )


@requires(Cap.DATA_LOCK)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def opening_ask(request: StaffRequest, study: str) -> HttpResponse:
    """Ask for the list to be opened: the first of two signatures."""
    form = OpeningAskForm(request.POST or None)
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.opening_ask(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _opening: _back(request),
        message="Asked. A clinician or the pharmacist signs second, then the list is open.",
        context={
            "heading": "Ask for the list to be opened",
            "text": "The first of two signatures. Nothing is shown yet.",
            "submit": "Sign and ask",
            "cancel": _back(request),
        },
    )


@requires(Cap.UNBLIND_AGREE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def opening_agree(request: StaffRequest, study: str) -> HttpResponse:
    """Agree to the opening: the second signature opens the list to everybody of the study."""
    form = OpeningAgreeForm(request.POST or None)
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.opening_agree(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _opening: _back(request),
        message="The list is open.",
        context={
            "heading": "Open the allocation list",
            "text": "The second of two signatures. From now on everybody of the study can see every arm, and what is "
            "known cannot be unknown.",
            "submit": "Sign and open the list",
            "cancel": _back(request),
            "danger": True,
        },
    )


def _opening(request: StaffRequest) -> ListOpening:
    opening = (
        ListOpening.objects.select_related("list__study", "list__protocol_version")
        .filter(list__study=request.study, agreed_at__isnull=False)
        .first()
    )
    if opening is None:
        raise Http404("The list is not open.")
    return opening


@requires(Cap.STUDY_VIEW)
@sensitive_variables()
@require_GET
def opened_list(request: StaffRequest, study: str) -> HttpResponse:
    """Show the opened list, that it is the one which was sealed, and how well the blind held."""
    opening = _opening(request)
    opened = read_opened(opening, request.actor)
    return render(
        request,
        "allocation/opened_list.html",
        {"opening": opening, "opened": opened, "guesses": guess_tables(opening, opened)},
    )


@requires(Cap.STUDY_VIEW)
@sensitive_variables()
@require_GET
def opened_file(request: StaffRequest, study: str, kind: str) -> HttpResponse:
    """Hand out the list file, whose SHA-256 is the commitment, or the table of numbers."""
    opening = _opening(request)
    if kind not in ("json", "csv"):
        raise Http404
    opened = read_opened(opening, request.actor)
    services.list_read(study=request.study, what=kind, actor=request.actor)
    if kind == "json":
        content, media = opened.file, "application/json"
    else:
        out = io.StringIO()
        table = csv.writer(out)
        table.writerow(
            [
                "number",
                "stratum",
                "volunteer",
                "arm",
                "open levels",
                "levels balanced by minimisation",
            ]
        )
        for row in opened.rows:
            levels, factors = (
                "; ".join(f"{name}={level}" for name, level in pairs)
                for pairs in (row.open_levels, row.factor_levels)
            )
            table.writerow([row.number, row.stratum, row.code, row.arm_name, levels, factors])
        content, media = out.getvalue().encode(), "text/csv; charset=utf-8"
    answer = HttpResponse(content, content_type=media)
    name = f"{request.study.slug}-allocation-list.{kind}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
