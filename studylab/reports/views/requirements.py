"""What rules ask of a program like this one, and the tests that show it."""

from itertools import groupby

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.reports.rules.trace import requirements
from studylab.spreadsheets import csv_line

COLUMNS = ("requirement", "area", "text", "source", "source seen", "state", "tests")


@requires(Cap.RECORD_VIEW)
@require_GET
def requirements_page(request: StaffRequest, study: str) -> HttpResponse:
    """Show every requirement with its source and the tests that show it; one without a test is open."""
    found = requirements()
    areas = [(area, list(ones)) for area, ones in groupby(found, key=lambda one: one.area)]
    shown = sum(not one.is_open for one in found)
    return render(
        request, "reports/requirements.html", {"areas": areas, "shown": shown, "count": len(found)}
    )


@requires(Cap.RECORD_VIEW)
@require_GET
def requirements_file(request: StaffRequest, study: str) -> HttpResponse:
    """Download the same as CSV."""
    lines = ["# One row is one requirement; its key is requirement\r\n", csv_line(COLUMNS)]
    for one in requirements():
        state = f"open: {one.open} Whose: {one.whose}" if one.is_open else "shown"
        lines.append(
            csv_line(
                (one.key, one.area, one.text, one.clause, one.read, state, " ".join(one.tests))
            )
        )
    answer = HttpResponse("".join(lines), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = 'attachment; filename="requirements.csv"'
    return answer
