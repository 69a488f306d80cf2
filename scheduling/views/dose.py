"""The dose page: the gate as it stands, the kit, what two people read, and the giving."""

from datetime import datetime
from typing import Any
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_http_methods
from django_htmx.http import HttpResponseClientRefresh

from scheduling.forms.dose import DoseCorrectForm, DoseForm, KitForm, PastGateForm
from scheduling.forms.presence import StayForm
from scheduling.models import Visit
from scheduling.rules.second_checker import SECOND_CHECKER
from scheduling.selectors.evidence import Evidence, evidence_of
from scheduling.selectors.gate import judged_gate
from scheduling.selectors.gate_safety import beside_gate, booked_names
from scheduling.selectors.presence import stay_now
from scheduling.selectors.sheet import access_visit
from scheduling.selectors.today import cover_now
from scheduling.services.doses import dose_correct as correct
from scheduling.services.doses import dose_give as give
from scheduling.views.words import sheet_url
from screening.rules.gate_facts import GateFacts
from studylab import clock
from studylab.access import Cap, in_background, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.studies.selectors import current_protocol
from studylab.templatetags.studylab import clock_time, instant


@requires(Cap.TODAY_VIEW)
@require_GET
def dose(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show the gate, for the kit whose number was entered."""
    return _page(request, access_visit(request.study, uid))


@requires(Cap.VISIT_RUN)
@sensitive_post_parameters("second_password")
@require_http_methods(["GET", "POST"])
def dose_give(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take the giving; a page reloaded here shows the gate again."""
    visit = access_visit(request.study, uid)
    return _page(request, visit) if request.method == "POST" else redirect("dose", study, uid)


@sensitive_variables()
def _page(request: StaffRequest, visit: Visit) -> HttpResponse:
    kit_form, kit = _kit(request)
    context = _gate(visit, kit) | {
        "kit_form": kit_form,
        "current_section": "today",
        "back": sheet_url(visit, "now"),
        "standing": _evidence(visit).dose,
        "may_give": request.actor.may(Cap.VISIT_RUN),
        "booked_second": booked_names(visit, SECOND_CHECKER),
        "beside": beside_gate(request.study, visit.participant),
    }
    form = DoseForm(posted(request), initial={"kit_number": kit})

    def write() -> object:
        values = {k: v for k, v in form.cleaned_data.items() if k not in ("device_at", "given_at")}
        given_at = form.cleaned_data["given_at"] or clock.now()
        return give(visit=visit, given_at=given_at, actor=request.actor, **values)

    if kit_form.is_bound and not kit_form.is_valid() and request.method == "GET":
        return render(request, "scheduling/dose/dose.html", {**context, "form": form}, status=422)
    return answer_form(
        request, form=form, template="scheduling/dose/dose.html", write=write,
        done=lambda _: sheet_url(visit, "now"),
        message="The dose is on record. The wait counts from the time it was given.",
        context=context,
    )  # fmt: skip


@requires(Cap.TODAY_VIEW)
@in_background
@require_GET
def dose_gate(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """The gate alone, asked again and again while the page is open; reloads a page whose gate opened."""
    visit = access_visit(request.study, uid)
    _, kit = _kit(request)
    context = _gate(visit, kit)
    if context["gate"].open and request.GET.get("shown") == "shut":
        return HttpResponseClientRefresh()
    return render(request, "scheduling/dose/_gate.html", context)


@requires(Cap.VISIT_RUN)
@sensitive_post_parameters("second_password")
@sensitive_variables()
@require_http_methods(["GET", "POST"])
def dose_past_gate(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take a capsule that was swallowed and is not on record. Nothing here opens the gate."""
    visit = access_visit(request.study, uid)
    form = PastGateForm(posted(request))

    def write() -> object:
        values = {k: v for k, v in form.cleaned_data.items() if k != "device_at"}
        return give(visit=visit, actor=request.actor, **values)

    return answer_form(
        request, form=form, template="scheduling/dose/past_gate.html", write=write,
        done=lambda _: sheet_url(visit, "now"),
        message="The dose is on record as a deviation. The wait counts from when it was swallowed. Keep the physician with the volunteer.",
        context={
            "visit": visit, "participant": visit.participant, "standing": _evidence(visit).dose,
            "back": reverse("dose", args=[study, uid]), "current_section": "today",
        },
    )  # fmt: skip


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def dose_correct(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Correct when the dose was given; the wait moves with it."""
    visit = access_visit(request.study, uid)
    standing = _evidence(visit).dose
    if standing is None:
        raise Http404("No dose is on record for this visit.")
    form = DoseCorrectForm(posted(request), dose=standing)

    def now() -> DoseCorrectForm:
        return DoseCorrectForm(dose=_evidence(visit).dose or standing)

    def write() -> object:
        return correct(dose=standing, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/dose/correct.html", write=write, edits=now,
        done=lambda _: sheet_url(visit, "now"),
        message="The time is corrected. The wait and everything after it count from the new time.",
        context={
            "visit": visit, "participant": visit.participant, "dose": standing,
            "back": sheet_url(visit, "now"), "current_section": "today",
        },
    )  # fmt: skip


def _kit(request: StaffRequest) -> tuple[KitForm, str]:
    """Return the kit form and the right number it holds, "" while there is none."""
    typed = request.GET.get("kit")
    if request.method == "POST":
        typed = request.POST.get("kit_number", "")
    form = KitForm({"kit": typed}) if typed is not None else KitForm()
    return form, form.cleaned_data["kit"] if form.is_bound and form.is_valid() else ""


def _gate(visit: Visit, kit: str) -> dict[str, Any]:
    now = clock.now()
    facts, result = judged_gate(visit=visit, kit_number=kit or None, at=now)
    study = visit.participant.study
    return {
        "visit": visit,
        "participant": visit.participant,
        "gate": result,
        "checked": checked(facts, visit) if result.open else [],
        "kit": kit,
        "now": now,
        "cover": cover_now(study, now),
        "stay": stay_now(visit, _evidence(visit), now, watched=False),
        "stay_form": StayForm(),
        "plan": current_protocol(study).plan,
    }


def _evidence(visit: Visit) -> Evidence:
    return evidence_of([visit])[visit.pk]


def checked(facts: GateFacts, visit: Visit) -> list[str]:
    """Return what an open gate has looked at, in the order of the visit."""
    consent, signed, asked = facts.consent, facts.sign_off, facts.questions
    taken, kit, cover = facts.pre_dose, facts.kit, facts.cover
    return [
        "The limits of this protocol version are confirmed by a physician.",
        f"{visit.participant.code} takes part, was identified today, and has not had a dose before.",
        f"Consent version {consent.version if consent else ''} is current, "
        f"signed {_when(consent.signed_at if consent else None)}.",
        f"The physician's sign-off is unchanged and holds until {_when(signed.valid_until if signed else None)}.",
        f"Allocation number {facts.allocation_number} is issued.",
        "The earlier visits are finished and the time between visits is kept.",
        f"Today's questions were answered at {_clock(asked.answered_at if asked else None)}; "
        "nothing stands in the way.",
        "The time that medicines need before the dose has passed, and no note names one that nobody listed since.",
        f"Pre-dose readings of {_clock(taken.taken_at if taken else None)} are complete and inside the limits, "
        "or released by a physician.",
        f"Kit {kit.number if kit else ''} was handed out for this number, is in date and not in quarantine.",
        f"A physician is at the site until {_clock(cover.until if cover else None)}, past the end of the wait, "
        f"said so at {_clock(cover.said_at if cover else None)}, and has practised opening a code.",
        "The emergency kit was looked through today, and somebody stays with the volunteer.",
        "No hold is open.",
        "No stopping rule pauses dosing, nobody is in care unaccounted for, and no symptom waits to be read.",
    ]


def _when(at: datetime | None) -> str:
    return instant(at)


def _clock(at: datetime | None) -> str:
    return clock_time(at) or "an unknown time"
