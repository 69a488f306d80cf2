"""Choosing how the list is made, sealing it, and its public commitment."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.design import DesignForm, SealForm
from studylab.allocation.models import AllocationList
from studylab.allocation.rules.design import ListDesign, methods_for, proposed
from studylab.allocation.rules.guessing import plan_guess
from studylab.allocation.rules.outlook import outlook, right_with_level
from studylab.allocation.rules.places import plan_problems, stratum_names
from studylab.allocation.selectors import list_state
from studylab.allocation.selectors.dispensary import list_detail, sealed_design
from studylab.allocation.selectors.verification import list_differences
from studylab.http import StaffRequest, answer_form, posted
from studylab.studies.rules.protocol import AllocationPlan
from studylab.studies.selectors import current_protocol, plan_of


@requires(Cap.STUDY_VIEW)
@require_GET
def commitment(request: StaffRequest, study: str) -> HttpResponse:
    """Show the published fingerprint of the list to everybody of the study."""
    return render(request, "allocation/commitment.html", {"list_state": list_state(request.study)})


@requires(Cap.LIST_MANAGE)
@sensitive_post_parameters("password", "block_sizes")
@sensitive_variables()
@require_http_methods(["GET", "POST"])
def list_seal(request: StaffRequest, study: str) -> HttpResponse:
    """Show what each method would do, let the pharmacist look at designs, seal the one that was chosen."""
    sealed = list_detail(request.study, request.actor)
    if sealed is not None and request.method == "GET":
        return _sealed(request)
    protocol = current_protocol(request.study)
    plan = protocol.plan.allocation
    problems = plan_problems(plan)
    context = {"sealed": sealed, "protocol": protocol, "plan": plan, "problems": problems}
    if problems:
        return render(request, "allocation/list_seal.html", context)
    return _choosing(request, plan, context)


def _choosing(request: StaffRequest, plan: AllocationPlan, context: dict[str, Any]) -> HttpResponse:
    # Looked at by POST: block sizes would stay in the logs and the history as part of an address.
    looking = request.POST.get("act") == "look"
    looked = DesignForm(posted(request), plan=plan)
    chosen = looked.design if looked.is_valid() else None
    if not looked.is_bound:
        chosen = proposed(methods_for(plan)[0], plan)
    form = SealForm(None if looking else posted(request), plan=plan, initial=_initial(chosen))
    designs = [proposed(method, plan) for method in methods_for(plan)]
    if chosen is not None and chosen not in designs:
        designs.append(chosen)
    context |= {
        "strata": stratum_names(plan),
        "looked": looked,
        "chosen": chosen,
        "rows": [_row(plan, design, chosen) for design in designs],
        "guess": _blocks(plan, chosen),
    }
    if looking:
        status = 200 if chosen else 422
        return render(
            request, "allocation/list_seal.html", {**context, "form": form}, status=status
        )
    return answer_form(
        request,
        form=form,
        template="allocation/list_seal.html",
        write=lambda: services.list_seal(
            study=request.study,
            password=form.cleaned_data["password"],
            design=form.design,
            actor=request.actor,
        ),
        done=lambda _sealed: reverse("dispensary", kwargs={"study": request.study.slug}),
        message="The list is sealed and its commitment published.",
        context=context,
    )


def _initial(design: ListDesign | None) -> dict[str, Any]:
    if design is None:
        return {}
    sizes = ", ".join(str(size) for size in design.block_sizes)
    return {
        "method": design.method,
        "block_sizes": sizes,
        "tolerance": design.tolerance or None,
        "percent": design.percent or None,
        "measure": design.measure,
    }


def _row(plan: AllocationPlan, design: ListDesign, chosen: ListDesign | None) -> dict[str, Any]:
    return {
        "design": design,
        "chosen": design == chosen,
        "outlook": outlook(plan, design),
        "with_level": right_with_level(plan, design),
    }


def _blocks(plan: AllocationPlan, design: ListDesign | None) -> Any:
    if design is None or design.method != "permuted_blocks":
        return None
    return plan_guess(plan, design.block_sizes)


@sensitive_variables()
def _sealed(request: StaffRequest) -> HttpResponse:
    sealed = list_detail(request.study, request.actor)
    assert sealed is not None
    plan = plan_of(sealed.protocol_version).allocation
    design = sealed_design(sealed, request.actor)
    context = {
        "sealed": sealed,
        "plan": plan,
        "design": design,
        "row": _row(plan, design, design),
        "differences": list_differences(AllocationList.objects.get(pk=sealed.pk)),
    }
    return render(request, "allocation/list_sealed.html", context)
