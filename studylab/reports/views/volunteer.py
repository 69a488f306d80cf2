"""The page of one volunteer."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.participants.selectors import access_participant
from studylab.reports.selectors.person import person_page


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def volunteer(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show where the volunteer is, what comes next and what is on record."""
    person = access_participant(request.study, code)
    context = person_page(request.study, person, request.actor, clock.now())
    return render(request, "reports/volunteer.html", context | {"current_section": "volunteers"})
