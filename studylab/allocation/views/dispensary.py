"""The pharmacist's section."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab.access import Cap, requires
from studylab.allocation.selectors import day, list_state
from studylab.allocation.selectors import dispensary as rooms
from studylab.allocation.selectors.telling import kits_telling
from studylab.http import StaffRequest
from studylab.studies.selectors import current_protocol


@requires(Cap.DISPENSE)
@require_GET
def dispensary(request: StaffRequest, study: str) -> HttpResponse:
    """Show what waits for the pharmacist: numbers without kit, kits out, stock and what is short."""
    batches = rooms.stock(request.study, request.actor)
    return render(
        request,
        "allocation/dispensary.html",
        {
            "by_number": current_protocol(request.study).plan.supply.way == "number",
            "due": day.due_today(request.study, request.actor),
            "short": day.short_ahead(request.study, request.actor),
            "sealed": rooms.list_detail(request.study, request.actor),
            "list_state": list_state(request.study),
            "waiting": rooms.waiting_for_kit(request.study),
            "out": rooms.kits_out(request.study),
            "batches": batches,
            "warnings": rooms.stock_warnings(request.study, batches, request.actor),
        },
    )


@requires(Cap.DISPENSE)
@require_GET
def telling(request: StaffRequest, study: str) -> HttpResponse:
    """Show whether numbers, dates or the order of printing could sort kits by what they hold."""
    rows = kits_telling(request.study, request.actor)
    return render(request, "allocation/telling.html", {"rows": rows})


@requires(Cap.DISPENSE)
@require_GET
def reconciliation(request: StaffRequest, study: str) -> HttpResponse:
    """Show that everything received is accounted for, or where it is not."""
    counts = rooms.reconcile(request.study, request.actor)
    return render(
        request,
        "allocation/reconciliation.html",
        {"counts": counts, "agrees": all(one.count.agrees for one in counts)},
    )
