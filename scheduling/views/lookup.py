"""Somebody calls about a volunteer: from a code or a birth date to the page that says everything at once."""

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from scheduling.forms.lookup import LookUpForm
from scheduling.services.lookup import person_look_up
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.studies.selectors import current_protocol


@requires(Cap.CONTACT_VIEW)
@require_http_methods(["GET", "POST"])
def look_up(request: StaffRequest, study: str) -> HttpResponse:
    """Find whom a call is about. One person found leads straight to their page."""
    form = LookUpForm(request.POST if request.method == "POST" else None)
    found, status = None, 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            found = person_look_up(study=request.study, actor=request.actor, **form.cleaned_data)
            status = 200
            if len(found) == 1 and found[0].visit is not None:
                return redirect("emergency", study=study, uid=found[0].visit.uid)
    context = {
        "current_section": "today",
        "form": form,
        "found": found,
        "plan": current_protocol(request.study).plan,
    }
    return render(request, "scheduling/today/look_up.html", context, status=status)
