"""Batches: their identity, warm or cold days; and kits out of sight."""

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.batches import (
    BatchCheckForm,
    ExcursionDecideForm,
    ExcursionForm,
    SightForm,
)
from studylab.allocation.models import Excursion, KitBatch
from studylab.allocation.selectors import access_kit
from studylab.allocation.services.batches import waiting_kits
from studylab.http import StaffRequest, answer_form, posted


def _batch(request: StaffRequest, uid: UUID) -> KitBatch:
    batches = KitBatch.objects.select_related("study").defer("box")
    return get_object_or_404(batches, study=request.study, uid=uid)


def _dispensary(request: StaffRequest, page: str = "dispensary") -> str:
    return reverse(page, kwargs={"study": request.study.slug})


@requires(Cap.DISPENSE)
@sensitive_post_parameters("password", "second_password")
@require_http_methods(["GET", "POST"])
def batch_check(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record what retained units of a batch are, by two pharmacists."""
    batch = _batch(request, uid)
    form = BatchCheckForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.batch_check(batch=batch, actor=request.actor, **form.cleaned_data),
        done=lambda _check: _dispensary(request),
        message=f"The identity check of batch {batch.label} is on record.",
        context={
            "heading": f"Identity of batch {batch.label}",
            "text": "Two pharmacists of this study look at retained units and compare them with the batch's "
            "papers. Before that no kit of the batch is prepared. When they are something else, the whole "
            "batch is put in quarantine.",
            "submit": "Record the check",
            "cancel": _dispensary(request),
        },
    )


@requires(Cap.DISPENSE)
@require_GET
def excursions(request: StaffRequest, study: str) -> HttpResponse:
    """Show warm and cold days and what was decided."""
    rows = Excursion.objects.filter(study=request.study).select_related("by", "deciding")
    return render(
        request,
        "allocation/excursions.html",
        {"rows": [(row, len(waiting_kits(row))) for row in rows.order_by("-began_at", "-id")]},
    )


@requires(Cap.DISPENSE)
@require_http_methods(["GET", "POST"])
def excursion_add(request: StaffRequest, study: str) -> HttpResponse:
    """Record kits outside their temperature; they go into quarantine at once."""
    form = ExcursionForm(posted(request), study=request.study)
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.excursion_record(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: _dispensary(request, "excursions"),
        message="The kits are in quarantine. Decide about them when you know more.",
        context={
            "heading": "Too warm or too cold",
            "text": "The kits go into quarantine at once and are neither prepared, handed out nor given until you "
            "decide about them.",
            "submit": "Put them in quarantine",
            "cancel": _dispensary(request, "excursions"),
        },
    )


@requires(Cap.DISPENSE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def excursion_decide(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Decide whether the kits may be used."""
    row = get_object_or_404(Excursion, study=request.study, uid=uid)
    form = ExcursionDecideForm(posted(request))
    waiting = len(waiting_kits(row))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.excursion_decide(
            excursion=row, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _row: _dispensary(request, "excursions"),
        message="The decision is on record and the kits are moved.",
        context={
            "heading": "Decide about kits in quarantine",
            "text": f"Between {row.lowest} and {row.highest} °C. {waiting} kits wait.",
            "submit": "Sign the decision",
            "cancel": _dispensary(request, "excursions"),
        },
    )


_SIGHTS = {
    "missing": (False, "Not found", "Record as not found"),
    "found": (True, "Found again", "Record as found, into quarantine"),
}


@requires(Cap.DISPENSE)
@sensitive_post_parameters("second_password")
@require_http_methods(["GET", "POST"])
def kit_sight(request: StaffRequest, study: str, number: str, seen: str) -> HttpResponse:
    """Record with a second person that a kit cannot be found, or turned up again."""
    if seen not in _SIGHTS:
        raise Http404
    found, word, button = _SIGHTS[seen]
    one = access_kit(request.study, number)
    form = SightForm(posted(request))
    page = reverse("kit", kwargs={"study": request.study.slug, "number": one.number})
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.kit_sight(
            kit=one, found=found, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _line: page,
        message=f"Kit {one.number}: {word.lower()}.",
        context={
            "heading": f"{word}: kit {one.number}",
            "text": "A kit that was out of sight is never handed out again, even when it turns up.",
            "submit": button,
            "cancel": page,
        },
    )
