"""Kits: receiving, looking at one, preparing, handing out, putting aside."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab.access import Cap, requires
from studylab.allocation import services
from studylab.allocation.forms.kits import ContainersForm, DispenseForm, ReasonForm, ReceiveForm
from studylab.allocation.rules.kit_states import CHANGES
from studylab.allocation.selectors import access_kit, entry_of, kit_of
from studylab.allocation.selectors.dispensary import acts_on, batch_arm_name, ledger_of
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.selectors.volunteers import access_participant
from studylab.studies.selectors import current_protocol

_PUTS = {
    "quarantine": services.kit_quarantine,
    "release": services.kit_release,
    "return": services.kit_return,
    "destroy": services.kit_destroy,
    "transfer": services.kit_transfer,
}
_BUTTONS = {
    "quarantine": "Put in quarantine",
    "release": "Release into stock",
    "return": "Take back",
    "destroy": "Record as destroyed",
    "transfer": "Record as transferred",
}
_SIGHTS = {"lose": ("missing", "Not found"), "find": ("found", "Found again")}


@requires(Cap.DISPENSE)
@sensitive_post_parameters("arm_key")
@require_http_methods(["GET", "POST"])
def kits_receive(request: StaffRequest, study: str) -> HttpResponse:
    """Take a batch into stock."""
    plan = current_protocol(request.study).plan
    form = ReceiveForm(posted(request), arms=plan.allocation.arms, supply=plan.supply)
    return answer_form(
        request,
        form=form,
        template="allocation/kits_receive.html",
        write=lambda: services.kits_receive(
            study=request.study, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _batch: reverse("dispensary", kwargs={"study": request.study.slug}),
        message="The kits are in stock.",
        context={"supply": plan.supply},
    )


@requires(Cap.DISPENSE)
@require_GET
def kit(request: StaffRequest, study: str, number: str) -> HttpResponse:
    """Show one kit, its ledger, and what may be done with it."""
    one = access_kit(request.study, number)
    able = acts_on(one)
    acts = [(what, _BUTTONS[what]) for what in able if what in _PUTS]
    return render(
        request,
        "allocation/kit.html",
        {
            "kit": one,
            "lines": ledger_of(one),
            "acts": acts,
            "sights": [_SIGHTS[what] for what in able if what in _SIGHTS],
            "arm_name": batch_arm_name(one.batch, request.actor),
        },
    )


@requires(Cap.DISPENSE)
@require_http_methods(["GET", "POST"])
def kit_put(request: StaffRequest, study: str, number: str, what: str) -> HttpResponse:
    """Put a kit aside, release, take back or destroy it, with a reason."""
    put = _PUTS.get(what)
    if put is None:
        raise Http404
    one = access_kit(request.study, number)
    form = ReasonForm(posted(request), what=what)
    address = reverse("kit", kwargs={"study": request.study.slug, "number": one.number})
    return answer_form(
        request,
        form=form,
        template="allocation/kit_put.html",
        write=lambda: put(kit=one, reason=form.cleaned_data["reason"], actor=request.actor),
        done=lambda _line: address,
        message=f"Kit {one.number} is {CHANGES[what].words}.",
        context={"kit": one, "button": _BUTTONS[what], "words": CHANGES[what].words},
    )


@requires(Cap.DISPENSE)
@require_POST
def kit_prepare(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Match a kit to the volunteer's number and show the preparation sheet."""
    person = access_participant(request.study, code)
    try:
        services.kit_prepare(participant=person, actor=request.actor)
    except StudylabError as refusal:
        messages.error(request, refusal.message)
        return redirect("dispensary", study=request.study.slug)
    return redirect("kit_sheet", study=request.study.slug, code=person.code)


@requires(Cap.DISPENSE)
@require_http_methods(["GET", "POST"])
def containers_prepare(request: StaffRequest, study: str) -> HttpResponse:
    """Prepare containers for the next numbers before they are issued."""
    form = ContainersForm(posted(request))
    back = reverse("dispensary", kwargs={"study": request.study.slug})
    return answer_form(
        request,
        form=form,
        template="parts/confirm_page.html",
        write=lambda: services.containers_prepare(
            study=request.study, count=form.cleaned_data["count"], actor=request.actor
        ),
        done=lambda _kits: back,
        message="The containers are prepared. Print their labels from the list below.",
        context={
            "heading": "Prepare containers ahead",
            "text": "One container for each of the next numbers that have none, matched by the house. Each gets a label "
            "with its number; the volunteer is known when the number is issued.",
            "submit": "Prepare",
            "cancel": back,
        },
    )


@requires(Cap.DISPENSE)
@sensitive_post_parameters("second_password")
@require_http_methods(["GET", "POST"])
def kit_dispense(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Hand out the prepared kit after scanning it, checked by a second person."""
    person = access_participant(request.study, code)
    form = DispenseForm(posted(request), initial={"visit_uid": request.GET.get("visit")})
    return answer_form(
        request,
        form=form,
        template="allocation/kit_dispense.html",
        write=lambda: services.kit_dispense(
            participant=person, actor=request.actor, **form.cleaned_data
        ),
        done=lambda _kit: reverse("dispensary", kwargs={"study": request.study.slug}),
        message=f"The kit of {person.code} is handed out.",
        context={"person": person, "entry": entry_of(person), "kit": kit_of(person)},
    )
