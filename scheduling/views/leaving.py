"""Leaving after a dose, and somebody who is unwell."""

from datetime import datetime
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.leaving import AdviceForm, LeaveForm, SymptomForm
from scheduling.models import Visit
from scheduling.rules.calls import call_times
from scheduling.selectors.emergency import last_values
from scheduling.selectors.evidence import evidence_of
from scheduling.selectors.sheet import access_visit, sheet_of
from scheduling.selectors.today import cover_now
from scheduling.services.leave import NotFit
from scheduling.services.leave import leave_against_advice as against_advice
from scheduling.services.leave import leave_check as check
from scheduling.views.words import left_words, sheet_url
from screening.rules.after_dose import RED_FLAGS, symptom_words
from screening.selectors.check_page import check_lines
from studylab import clock
from studylab.access import Cap, open_to_kept_away, requires
from studylab.allocation.rules.rescue import RESCUE_FACTS
from studylab.allocation.selectors import entry_of
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.participants.models import Hold
from studylab.participants.services import hold_open
from studylab.studies.selectors import current_protocol


@requires(Cap.VISIT_RUN)
@open_to_kept_away
@require_http_methods(["GET", "POST"])
def leave_check(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Judge whether the volunteer is fit to leave; a red flag leads to the emergency page."""
    visit = access_visit(request.study, uid)
    limits = current_protocol(request.study).plan.limits
    form = LeaveForm(posted(request), standing_measured="standing_test" in limits.checks.leave)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                check(visit=visit, actor=request.actor, **form.said())
            except NotFit as refusal:
                if refusal.emergency:
                    messages.error(request, " ".join([refusal.message, *refusal.reasons]))
                    return redirect(_emergency(visit))
                take_refusal(form, refusal)
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(request, "Fit to leave is on record.")
                return redirect(sheet_url(visit, "now"))
    context = _about(visit) | {
        "form": form,
        "sheet": sheet_of(visit, clock.now()),
        "checks": check_lines(visit.participant, "leave", visit.uid, limits),
        "here": request.path,
    }
    return render(request, "scheduling/sheet/leave.html", context, status=status)


@requires(Cap.VISIT_RUN)
@open_to_kept_away
@require_http_methods(["GET", "POST"])
def leave_against_advice(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Record that somebody walks out before being found fit."""
    visit = access_visit(request.study, uid)
    form = AdviceForm(posted(request))

    def write() -> object:
        return against_advice(visit=visit, reason=form.cleaned_data["reason"], actor=request.actor)

    return answer_form(
        request, form=form, template="scheduling/sheet/advice.html", write=write,
        done=lambda _: sheet_url(visit),
        message="Leaving against advice is on record. Today shows when to call.",
        context=_about(visit) | {"times": _call_times(visit)},
    )  # fmt: skip


def _call_times(visit: Visit) -> tuple[datetime, ...]:
    """Return when the volunteer would be called if they left now."""
    dose = evidence_of([visit])[visit.pk].dose
    return call_times(clock.now(), dose.given_at) if dose else ()


@requires(Cap.HOLD_OPEN)
@open_to_kept_away
@require_http_methods(["GET", "POST"])
def symptom(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Take what the volunteer feels: any symptom puts them on hold and leads on to the log of events.

    A red flag leads to the emergency page instead; its event waits in the list of work.
    """
    visit = access_visit(request.study, uid)
    form = SymptomForm(posted(request))

    def write() -> Hold:
        red = form.chosen & RED_FLAGS.keys()
        said = f"{'Red flag' if red else 'Symptom'}: {symptom_words(form.chosen)}."
        note = form.cleaned_data["note"].strip()
        return hold_open(
            participant=visit.participant, kind=Hold.Kind.SYMPTOM,
            reason=f"{said} {note}".strip(), actor=request.actor,
        )  # fmt: skip

    def done(made: Hold) -> str:
        if form.chosen & RED_FLAGS.keys():
            return _emergency(visit)
        if not request.actor.may(Cap.EVENT_RECORD):
            return sheet_url(visit)
        asked = {"hold": made.uid, "source": "sheet", "next": sheet_url(visit)}
        return f"{reverse('event_add', args=[study])}?{urlencode(asked)}"

    return answer_form(
        request, form=form, template="scheduling/sheet/symptom.html", write=write, done=done,
        message="On hold: a clinician decides. Tell the physician now, then write the event down here.",
        context=_about(visit),
    )  # fmt: skip


@requires(Cap.TODAY_VIEW)
@open_to_kept_away
@require_GET
def emergency(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Whom to call and what may have been taken, on one screen; the same for every arm."""
    visit = access_visit(request.study, uid)
    now = clock.now()
    sheet = sheet_of(visit, now)
    left = next((row for row in sheet.steps if row.step.kind == "leave" and row.record), None)
    context = _about(visit) | {
        "sheet": sheet,
        "last_values": last_values(sheet),
        "left_at": left.record.occurred_at if left and left.record else None,
        "left_how": left_words(left.record.value) if left and left.record else "",
        "plan": current_protocol(request.study).plan,
        "cover": cover_now(request.study, now),
        "facts": RESCUE_FACTS,
        "numbered": entry_of(visit.participant) is not None,
        "red_flags": list(RED_FLAGS.values()),
        "now": now,
    }
    return render(request, "scheduling/sheet/emergency.html", context)


def _about(visit: Visit) -> dict[str, Any]:
    return {
        "current_section": "today",
        "visit": visit,
        "participant": visit.participant,
        "back": sheet_url(visit, "now"),
        "emergency_url": _emergency(visit),
    }


def _emergency(visit: Visit) -> str:
    return reverse("emergency", args=[visit.participant.study.slug, visit.uid])
