"""How the site runs, for the lead of a study and for whoever looks after the accounts: nothing of a study in it."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.operation.rules.status import State
from studylab.operation.status import status_lines


@requires(Cap.SITE_CARE)
@require_GET
def study_status(request: StaffRequest, study: str) -> HttpResponse:
    """Show every line of the status to the lead."""
    return render(request, "reports/status.html", _shown())


@requires(Cap.ACCOUNTS_MANAGE)
@require_GET
def site_status(request: StaffRequest) -> HttpResponse:
    """Show the same to an account administrator, who needs no role in any study."""
    return render(request, "reports/status.html", _shown())


def _shown() -> dict[str, Any]:
    at = clock.now()
    lines = status_lines(at)
    return {
        "at": at, "lines": lines,
        "wrong": sum(line.state == State.WRONG for line in lines),
        "look": sum(line.state == State.LOOK for line in lines),
    }  # fmt: skip
