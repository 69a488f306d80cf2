"""Opening a code in an emergency, and the list of openings."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires, while_read_only
from studylab.allocation import services
from studylab.allocation.forms.opening import OpenCodeForm
from studylab.allocation.models import Reveal
from studylab.allocation.rules.rescue import RESCUE_FACTS
from studylab.allocation.selectors import entry_of, given_at, reveals_of
from studylab.allocation.selectors.blinding import learnt_of
from studylab.allocation.selectors.exposure import exposures_of
from studylab.errors import StudylabError
from studylab.http import StaffRequest, posted, take_refusal
from studylab.participants.selectors.volunteers import access_participant
from studylab.studies.selectors import current_protocol


@requires(Cap.CODE_OPEN)
@while_read_only
@sensitive_post_parameters("password")
@sensitive_variables()
@require_http_methods(["GET", "POST"])
def code_open(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Ask who, why and the password; write the opening down; show the arm of this one person.

    The arm is in the answer to the form only. There is no address at which it could be read again: each
    look is an opening of its own.
    """
    person = access_participant(request.study, code)
    form = OpenCodeForm(posted(request))
    context: dict[str, Any] = {
        "person": person,
        "entry": entry_of(person),
        "given_at": given_at(person),
        "plan": current_protocol(request.study).plan,
        "facts": RESCUE_FACTS,
        "form": form,
    }
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                opened = services.code_open(
                    participant=person,
                    kind=Reveal.Kind.EMERGENCY,
                    actor=request.actor,
                    **form.cleaned_data,
                )
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                return render(request, "allocation/code_opened.html", {**context, "opened": opened})
    return render(request, "allocation/code_open.html", context, status=status)


@requires(Cap.REVEALS_VIEW)
@require_GET
def reveals(request: StaffRequest, study: str) -> HttpResponse:
    """Show that codes were opened: whose, by whom, when and why; never the arm."""
    return render(
        request,
        "allocation/reveals.html",
        {
            "reveals": reveals_of(request.study),
            "learnt": learnt_of(request.study),
            "exposures": exposures_of(request.study),
        },
    )
