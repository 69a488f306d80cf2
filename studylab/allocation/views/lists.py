"""Sealing the list, and its public commitment."""

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.kits import SealForm
from studylab.allocation.rules.blocks import plan_problems, stratum_names
from studylab.allocation.rules.guessing import plan_guess
from studylab.allocation.rules.sealed_list import METHOD
from studylab.allocation.selectors import list_state
from studylab.allocation.selectors.dispensary import list_detail
from studylab.http import StaffRequest, answer_form
from studylab.studies.selectors import current_protocol


@requires(Cap.STUDY_VIEW)
@require_GET
def commitment(request: StaffRequest, study: str) -> HttpResponse:
    """Show the published fingerprint of the list to everybody of the study."""
    return render(request, "allocation/commitment.html", {"list_state": list_state(request.study)})


@requires(Cap.LIST_MANAGE)
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def list_seal(request: StaffRequest, study: str) -> HttpResponse:
    """Show what the confirmed protocol's list will be like; seal it under the pharmacist's signature."""
    protocol = current_protocol(request.study)
    plan = protocol.plan.allocation
    problems = plan_problems(plan)
    form = SealForm(request.POST or None)
    return answer_form(
        request,
        form=form,
        template="allocation/list_seal.html",
        write=lambda: services.list_seal(
            study=request.study, password=form.cleaned_data["password"], actor=request.actor
        ),
        done=lambda _sealed: reverse("dispensary", kwargs={"study": request.study.slug}),
        message="The list is sealed and its commitment published.",
        context={
            "sealed": list_detail(request.study, request.actor),
            "protocol": protocol,
            "plan": plan,
            "method": METHOD,
            "strata": stratum_names(plan) if not problems else (),
            "problems": problems,
            "guess": None if problems else plan_guess(plan),
        },
    )
