"""Counting the stock, and explaining what differs."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.batches import CountExplainForm, CountForm
from studylab.allocation.models import KitBatch
from studylab.allocation.selectors.counting import (
    access_count,
    batches_to_count,
    counts_of,
    counts_to_explain,
)
from studylab.http import StaffRequest, answer_form, posted
from studylab.studies.selectors import current_protocol


def _counts(request: StaffRequest) -> str:
    return reverse("kit_counts", kwargs={"study": request.study.slug})


@requires(Cap.DISPENSE)
@require_GET
def counts(request: StaffRequest, study: str) -> HttpResponse:
    """Show what is to be counted by when, what waits for an explanation, and every count."""
    context = {
        "due": batches_to_count(request.study, request.actor, clock.now()),
        "open": counts_to_explain(request.study, request.actor),
        "rows": counts_of(request.study, request.actor),
        "every": current_protocol(request.study).plan.supply.count_every_days,
    }
    return render(request, "allocation/counts.html", context)


@requires(Cap.DISPENSE)
@sensitive_post_parameters("second_password")
@require_http_methods(["GET", "POST"])
def batch_count(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Count the kits of a batch without seeing the ledger's figure."""
    batches = KitBatch.objects.select_related("study").defer("box")
    batch = get_object_or_404(batches, study=request.study, uid=uid)
    form = CountForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.stock_count(batch=batch, actor=request.actor, **form.cleaned_data),
        done=lambda _count: _counts(request),
        message="The count is on record.",
        context={
            "heading": f"Count batch {batch.label}",
            "text": "Two pharmacists count the kits of this batch that are on the shelf, not those that are prepared or "
            "in quarantine. A difference changes nothing by itself: it is recorded and explained, and each kit that "
            "cannot be found is recorded on its own page by two people.",
            "submit": "Record the count",
            "cancel": _counts(request),
        },
    )


@requires(Cap.DISPENSE)
@require_http_methods(["GET", "POST"])
def count_explain(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Say why a count differed."""
    one = access_count(request.study, uid)
    form = CountExplainForm(posted(request))
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.count_explain(count=one, actor=request.actor, **form.cleaned_data),
        done=lambda _row: _counts(request),
        message="The explanation is on record.",
        context={
            "heading": f"Count of batch {one.batch.label}: {one.counted}, by the ledger {one.expected}",
            "text": "Look first, then write. This changes no stock: a kit that cannot be found is recorded on its own "
            "page by two people, and is not given to anybody even if it turns up.",
            "submit": "Record the explanation",
            "cancel": _counts(request),
        },
    )
