"""Doing a check besides the readings, looking at one, and reading an ECG."""

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from screening.forms.checks import CheckForm, EcgReadForm
from screening.forms.standing import FORMS
from screening.models import Check, Timing, VitalSet
from screening.rules.checks import NAMES, RULES, SOURCES
from screening.selectors.check_page import add_url, is_kind, name_of, taken_check
from screening.selectors.checks import access_check, kind_of, standing_checks
from screening.selectors.measurers import measurers
from screening.selectors.timings import standing_timings
from screening.selectors.visits import access_visit
from screening.services import check_record, ecg_read, timing_start
from screening.services.check_records import Where
from screening.views.words import next_url, with_query
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import current_protocol

_AT_A_VISIT = (VitalSet.Gate.PRE_DOSE, VitalSet.Gate.POST_DOSE, VitalSet.Gate.LEAVE)
_BUTTONS = {"start_lying": Timing.Kind.LYING, "start_stand": Timing.Kind.STAND}


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def check_add(request: StaffRequest, study: str, code: str, gate: str, kind: str) -> HttpResponse:
    """A check at screening."""
    if gate != VitalSet.Gate.SCREENING:
        raise Http404("What is measured on the dosing day belongs to a visit.")
    return _take(request, access_participant(request.study, code), Where(gate), kind)


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def visit_check_add(
    request: StaffRequest, study: str, code: str, visit_uid: UUID, gate: str, kind: str
) -> HttpResponse:
    """A check at a gate of a visit."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    if gate not in _AT_A_VISIT:
        raise Http404("There is no such check at a visit.")
    return _take(request, participant, Where(gate, visit_uid), kind)


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def check_correct(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """The same check as it should have been; the earlier one stays on record."""
    participant = access_participant(request.study, code)
    wrong = access_check(participant, uid)
    return _take(request, participant, Where(wrong.gate, wrong.visit_uid), wrong.kind, wrong)


def _take(
    request: StaffRequest, participant: Participant, where: Where, kind: str,
    corrects: Check | None = None,
) -> HttpResponse:  # fmt: skip
    if not is_kind(kind):
        raise Http404("There is no such check.")
    pressed = next((one for name, one in _BUTTONS.items() if name in request.POST), None)
    if pressed is not None:
        timing_start(participant=participant, kind=pressed, where=where, actor=request.actor)
    form, times = _form(request, participant, where, kind, corrects, pressed is not None)
    context = {
        "participant": participant, "kind": kind, "name": NAMES[kind],
        "gate_label": VitalSet.Gate(where.gate).label, "corrects": corrects, "next": next_url(request),
        "now": clock.now(), "source": SOURCES[kind], **times,
    }  # fmt: skip
    template = f"screening/{'standing' if kind == 'standing_test' else 'check'}_form.html"
    if pressed is not None:
        return render(request, template, {"form": form, **context})

    def done(made: Check) -> str:
        page = reverse("check", args=[request.study.slug, participant.code, made.uid])
        return with_query(page, next=next_url(request))

    return answer_form(
        request, form=form, template=template, done=done, context=context,
        write=lambda: check_record(
            participant=participant, kind=kind, where=where, supersedes=corrects,
            actor=request.actor, **form.service_values(),
        ),
    )  # fmt: skip


def _form(
    request: StaffRequest, participant: Participant, where: Where, kind: str,
    corrects: Check | None, pressed: bool,
) -> tuple[CheckForm, dict[str, Any]]:  # fmt: skip
    """Return the form and what the page says about times. After a timing button what was typed is kept."""
    given: dict[str, Any] = {
        "measurers": [(person.pk, person.name) for person in measurers(participant)],
        "by": request.actor.user_id,
        "again": standing_checks(participant, where.gate, where.visit_uid).filter(kind=kind).exists(),
        "corrects": corrects,
    }  # fmt: skip
    times: dict[str, Any] = {}
    if kind == "standing_test" and corrects is None:
        given |= standing_timings(participant, where.gate, where.visit_uid)
        times = _clocks(request, given["rest"], given["stood"])
    if pressed:
        typed = {key: value for key, value in request.POST.items() if value}
        return FORMS[kind](initial=typed, **given).value_first(), times
    return FORMS[kind](posted(request), **given).value_first(), times


def _clocks(request: StaffRequest, rest: Timing | None, stood: Timing | None) -> dict[str, Any]:
    limits = current_protocol(request.study).plan.limits.standing
    return {
        "limits": limits,
        "rest": rest,
        "stood": stood,
        "rest_until": rest.at + timedelta(seconds=limits.rest_seconds) if rest else None,
        "one_due": stood.at + timedelta(minutes=1) if stood else None,
        "three_due": stood.at + timedelta(minutes=3) if stood else None,
    }


@requires(Cap.HEALTH_VIEW)
@require_GET
def check(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """One check: its value, what it came to, and where it came from."""
    participant = access_participant(request.study, code)
    return render(
        request,
        "screening/check.html",
        _shown(request, participant, access_check(participant, uid)),
    )


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def ecg(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Read an ECG; until a clinician has, it counts as not there."""
    participant = access_participant(request.study, code)
    found = access_check(participant, uid)
    if found.kind != Check.Kind.ECG:
        raise Http404("Only an ECG is read.")
    if hasattr(found, "reading"):
        return redirect("check", request.study.slug, participant.code, found.uid)
    form = EcgReadForm(posted(request))
    page = reverse("check", args=[request.study.slug, participant.code, found.uid])
    return answer_form(
        request, form=form, template="screening/ecg_read.html",
        write=lambda: ecg_read(
            check=found, conclusion=form.cleaned_data["conclusion"], note=form.cleaned_data["note"],
            actor=request.actor,
        ),
        done=lambda _: with_query(page, next=next_url(request)),
        context=_shown(request, participant, found),
    )  # fmt: skip


def _shown(request: StaffRequest, participant: Participant, found: Check) -> dict[str, Any]:
    protocol = current_protocol(request.study)
    newest = standing_checks(participant, found.gate, found.visit_uid).filter(kind=found.kind)
    url = add_url(participant, found.gate, found.visit_uid, found.kind)
    return {
        "participant": participant, "check": found, "name": name_of(found),
        "taken": taken_check(found, protocol.plan.limits),
        "others": [taken_check(one, protocol.plan.limits) for one in newest if one.pk != found.pk],
        "newest": newest.last(), "rule": RULES.get(found.kind, RULES[""]),
        "source": SOURCES[kind_of(found)], "protocol": protocol,
        "again_url": with_query(url, next=next_url(request)), "next": next_url(request),
    }  # fmt: skip
