"""The capacity view: what is booked, what still fits, where the bottleneck is, how often people do not come."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.forms.capacity import CapacityForm
from scheduling.rules.shares import SOURCE
from scheduling.selectors.capacity import Capacity, capacity_of, weeks_ahead
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.people.selectors import today_in
from studylab.spreadsheets import csv_line

WEEKS = 4


@requires(Cap.CAPACITY_VIEW)
@require_GET
def capacity(request: StaffRequest, study: str) -> HttpResponse:
    """Show the weeks from today until a day, four weeks when none is given."""
    form, found = _asked(request)
    context: dict[str, Any] = {
        "form": form,
        "found": found,
        "source": SOURCE,
        "zone": request.study.timezone,
        "query": form.data.get("until", ""),
    }
    return render(
        request, "scheduling/capacity/capacity.html", context, status=200 if found else 422
    )


@requires(Cap.CAPACITY_VIEW)
@require_GET
def capacity_csv(request: StaffRequest, study: str) -> HttpResponse:
    """The table of the same weeks as a file."""
    _form, found = _asked(request)
    if found is None:
        return HttpResponse(
            "Choose a day on the page first.", status=422, content_type="text/plain"
        )
    lines = [csv_line(["week_from_monday", "series_booked", "series_that_still_fit"])]
    lines += [csv_line([row.monday.isoformat(), row.booked, row.free]) for row in found.view.weeks]
    response = HttpResponse("".join(lines), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="capacity-{request.study.slug}.csv"'
    return response


def _asked(request: StaffRequest) -> tuple[CapacityForm, Capacity | None]:
    today = today_in(request.study.timezone)
    given = {"until": request.GET.get("until") or weeks_ahead(today, WEEKS).isoformat()}
    form = CapacityForm(given, today=today)
    if not form.is_valid():
        return form, None
    return form, capacity_of(request.study, today, form.cleaned_data["until"], clock.now())
