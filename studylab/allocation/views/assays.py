"""Laboratory results, recorded and compared with the list once it is open."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.assays import AssayExplainForm, AssayForm
from studylab.allocation.models import Assay
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors.volunteers import access_participant


def _list(request: StaffRequest) -> str:
    return reverse("opened_list", kwargs={"study": request.study.slug})


@requires(Cap.UNBLIND_AGREE)
@require_http_methods(["GET", "POST"])
def assay_add(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Record what a laboratory found in somebody's sample."""
    person = access_participant(request.study, code)
    form = AssayForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.assay_record(
            participant=person, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: _list(request),
        message="The result is on record and compared with the list.",
        context={
            "heading": f"Laboratory result: {person.code}",
            "text": "Whether the substance was in a sample taken after the dose. It tells the arm, so it is recorded only "
            "when the list is open; until then the report stays with the laboratory.",
            "submit": "Record the result",
            "cancel": _list(request),
        },
    )


@requires(Cap.UNBLIND_AGREE)
@require_http_methods(["GET", "POST"])
def assay_explain(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Say why a result contradicts the list."""
    one = get_object_or_404(
        Assay.objects.select_related("participant"), uid=uid, participant__study=request.study
    )
    form = AssayExplainForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.assay_explain(assay=one, actor=request.actor, **form.cleaned_data),
        done=lambda _row: _list(request),
        message="The explanation is on record.",
        context={
            "heading": f"Contradiction: {one.participant.code}",
            "text": f"{one.sample}: {one.get_found_display()}. The list says otherwise. The table of arms is handed out once "
            "every contradiction is explained.",
            "submit": "Record the explanation",
            "cancel": _list(request),
        },
    )
