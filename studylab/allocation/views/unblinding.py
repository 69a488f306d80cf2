"""Planned unblinding, and the opened list for everybody of the study to verify."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.forms import BaseForm
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.blinding import DataLockForm, OpeningAgreeForm, OpeningAskForm
from studylab.allocation.models import ListOpening
from studylab.allocation.selectors.assays import AssayRow, assay_rows
from studylab.allocation.selectors.published import about_export
from studylab.allocation.selectors.unblinding import (
    Opened,
    guess_tables,
    opening_state,
    read_opened,
)
from studylab.http import StaffRequest, answer_form, posted
from studylab.studies.selectors import plan_of


def _back(request: StaffRequest) -> str:
    return reverse("unblinding", kwargs={"study": request.study.slug})


@requires(Cap.STUDY_VIEW)
@require_GET
def unblinding(request: StaffRequest, study: str) -> HttpResponse:
    """Show how far the unblinding is, and who does what next."""
    return render(request, "allocation/unblinding.html", {"state": opening_state(request.study)})


def _sign(
    request: StaffRequest, form: BaseForm, service: Callable[..., object], message: str, **page: Any
) -> HttpResponse:
    """One step of the unblinding, signed on a page of its own."""
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: service(study=request.study, actor=request.actor, **form.cleaned_data),
        done=lambda _made: _back(request),
        message=message,
        context={"cancel": _back(request), **page},
    )


@requires(Cap.DATA_LOCK)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def data_lock(request: StaffRequest, study: str) -> HttpResponse:
    """Declare the data locked."""
    return _sign(
        request, DataLockForm(posted(request)), services.data_lock,
        "The data are declared locked.",
        heading="Declare the data locked",
        text="After this the list may be opened. It cannot be taken back, and nobody should be able to say "
        "later that a value was changed by somebody who knew the arms.",
        submit="Declare the data locked",
        danger=True,
    )  # fmt: skip


@requires(Cap.DATA_LOCK)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def opening_ask(request: StaffRequest, study: str) -> HttpResponse:
    """Ask for the list to be opened: the first of two signatures."""
    return _sign(
        request, OpeningAskForm(posted(request)), services.opening_ask,
        "Asked. A clinician or the pharmacist signs second, then the list is open.",
        heading="Ask for the list to be opened",
        text="The first of two signatures. Nothing is shown yet.",
        submit="Sign and ask",
    )  # fmt: skip


@requires(Cap.UNBLIND_AGREE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def opening_agree(request: StaffRequest, study: str) -> HttpResponse:
    """Agree to the opening: the second signature opens the list to everybody of the study."""
    return _sign(
        request, OpeningAgreeForm(posted(request)), services.opening_agree,
        "The list is open.",
        heading="Open the allocation list",
        text="The second of two signatures. From now on everybody of the study can see every arm, and what is "
        "known cannot be unknown.",
        submit="Sign and open the list",
        danger=True,
    )  # fmt: skip


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
        {
            "opening": opening,
            "opened": opened,
            "guesses": guess_tables(opening, opened),
            "assays": _assays(request, opening, opened),
        },
    )


@sensitive_variables("opened")
def _assays(request: StaffRequest, opening: ListOpening, opened: Opened) -> list[AssayRow]:
    return assay_rows(request.study, opened, plan_of(opening.list.protocol_version))


@requires(Cap.STUDY_VIEW)
@sensitive_variables()
@require_GET
def opened_file(request: StaffRequest, study: str, kind: str) -> HttpResponse:
    """Hand out the list file, whose SHA-256 is the commitment, or the table of numbers."""
    opening = _opening(request)
    if kind not in ("json", "csv"):
        raise Http404
    opened = read_opened(opening, request.actor)
    if kind == "csv" and any(row.open for row in _assays(request, opening, opened)):
        messages.error(
            request,
            "The table is not handed out yet: a laboratory result contradicts the list. Explain it first.",
        )
        return redirect("opened_list", study=request.study.slug)
    services.list_read(study=request.study, what=kind, actor=request.actor)
    if kind == "json":
        content, media = opened.file, "application/json"
    else:
        about = about_export(request.study, row="one number of the opened list", key="number")
        content, media = f"{about}{opened.table}".encode(), "text/csv; charset=utf-8"
    answer = HttpResponse(content, content_type=media)
    name = f"{request.study.slug}-allocation-list.{kind}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
