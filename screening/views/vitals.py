"""Taking a set of readings, and looking at one."""

from datetime import datetime, timedelta
from functools import partial
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods

from screening.forms.vital_drafts import restored_form
from screening.forms.vitals import SetContext, VitalsForm, correction_values
from screening.models import Timing, VitalSet
from screening.rules.after_dose import symptom_words
from screening.rules.sets import RULES
from screening.rules.vital_chart import vital_chart
from screening.selectors.check_page import check_lines
from screening.selectors.measurers import measurers
from screening.selectors.monitors import comparison_for, monitor_names
from screening.selectors.set_history import set_history
from screening.selectors.timings import open_rest
from screening.selectors.visits import access_visit
from screening.selectors.vital_page import vital_page
from screening.selectors.vitals import access_vital_set, known_arms, newest_vitals
from screening.services import timing_start, vitals_record
from screening.services.check_records import Where
from screening.services.exposure import saw_after_dose
from screening.services.off_time import post_dose_record
from screening.services.readings import BEFORE
from screening.views.vital_drafts import draft_context, keep_refused
from screening.views.words import PLACES, VERDICTS, next_url, with_query
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.studies.rules.protocol import Measuring
from studylab.studies.selectors import current_protocol


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def vitals_add(request: StaffRequest, study: str, code: str, gate: str) -> HttpResponse:
    """A set at screening."""
    if gate != VitalSet.Gate.SCREENING:
        raise Http404("Readings of the dosing day belong to a visit.")
    participant = access_participant(request.study, code)
    return _take(request, participant, gate=gate, visit_uid=None, visit_number=0)


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def visit_vitals_add(
    request: StaffRequest, study: str, code: str, visit_uid: UUID, gate: str
) -> HttpResponse:
    """A set at a gate of a visit."""
    participant = access_participant(request.study, code)
    number = access_visit(participant, visit_uid)
    if gate not in (VitalSet.Gate.PRE_DOSE, VitalSet.Gate.POST_DOSE, VitalSet.Gate.LEAVE):
        raise Http404("There is no such check at a visit.")
    return _take(request, participant, gate=gate, visit_uid=visit_uid, visit_number=number)


@requires(Cap.VITALS_RECORD)
@require_http_methods(["GET", "POST"])
def vitals_correct(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """The same set as it should have been; the earlier one stays on record."""
    participant = access_participant(request.study, code)
    wrong = access_vital_set(participant, uid)
    number = access_visit(participant, wrong.visit_uid) if wrong.visit_uid else 0
    return _take(
        request,
        participant,
        gate=wrong.gate,
        visit_uid=wrong.visit_uid,
        visit_number=number,
        corrects=wrong,
    )


def _take(
    request: StaffRequest,
    participant: Participant,
    *,
    gate: str,
    visit_uid: UUID | None,
    visit_number: int,
    corrects: VitalSet | None = None,
) -> HttpResponse:
    if request.method == "POST" and "start_rest" in request.POST:
        timing_start(
            participant=participant, kind=Timing.Kind.REST, where=Where(gate, visit_uid),
            actor=request.actor,
        )  # fmt: skip
        return redirect(with_query(request.path, next=next_url(request)))
    newest = newest_vitals(participant, gate, visit_uid)
    limits = current_protocol(request.study).plan.limits
    rest = None if corrects else open_rest(participant, gate, visit_uid)
    about = SetContext(
        gate=gate,
        measuring=limits.measuring,
        measurers=[(person.pk, person.name) for person in measurers(participant)],
        rest=rest,
        arms_due=limits.measuring.both_arms_first and known_arms(participant) is None,
        newest=str(newest.uid) if newest else "",
        corrects=corrects,
        compared=partial(comparison_for, request.study),
    )
    where = Where(gate, visit_uid)
    drafts = draft_context(request, participant, where, corrects)
    if request.method == "GET" and drafts.get("own_draft"):
        form = restored_form(drafts["own_draft"], about)
    else:
        form = VitalsForm(
            posted(request),
            about=about,
            initial=_initial(request, participant, about, newest),
        )
    sitting = {"gate": gate, "visit_uid": visit_uid, "supersedes": corrects}

    def done(made: VitalSet) -> str:
        page = reverse("vitals", args=[request.study.slug, participant.code, made.uid])
        return with_query(page, next=next_url(request))

    answer = answer_form(
        request,
        form=form,
        template="screening/vitals_form.html",
        write=lambda: _write(request, participant, form, newest, visit_number, sitting),
        done=done,
        context={
            "participant": participant,
            "gate_label": VitalSet.Gate(gate).label,
            "visit_number": visit_number,
            "corrects": corrects,
            "newest": newest,
            "next": next_url(request),
            "known_arms": known_arms(participant),
            "checks": check_lines(participant, gate, visit_uid, limits),
            "here": request.get_full_path(),
            "monitors": monitor_names(request.study),
            **_rest(rest.at if rest else None, limits.measuring),
            **drafts,
        },
    )
    if request.method == "POST" and answer.status_code != HTTPStatus.FOUND:
        keep_refused(request, participant, where, corrects)
    return answer


def _rest(started: datetime | None, measuring: Measuring) -> dict[str, Any]:
    """Return what the page says about the rest before the first reading."""
    length = timedelta(seconds=measuring.rest_seconds)
    return {
        "started": started,
        "rest_until": started + length if started else None,
        "measuring": measuring,
        "now": clock.now(),
    }


def _write(
    request: StaffRequest,
    participant: Participant,
    form: VitalsForm,
    newest: VitalSet | None,
    visit_number: int,
    sitting: dict[str, Any],
) -> VitalSet:
    """Record the set; refuse when somebody recorded another one after the page was opened."""
    if form.cleaned_data["base"] != (str(newest.uid) if newest else ""):
        raise Conflict(
            "Another set was recorded here after you opened the page. Look at it first; what you typed is still "
            "below."
        )
    values = form.service_values() | sitting
    if sitting["gate"] == VitalSet.Gate.POST_DOSE:
        return post_dose_record(
            participant=participant, why=form.cleaned_data["why_off_time"], visit_number=visit_number,
            actor=request.actor, **values,
        )  # fmt: skip
    return vitals_record(participant=participant, actor=request.actor, **values)


def _initial(
    request: StaffRequest, participant: Participant, about: SetContext, newest: VitalSet | None
) -> dict[str, Any]:
    """Return first values: of the set that is corrected, else the higher arm, cuff and device of before."""
    first: dict[str, Any] = {
        "base": about.newest,
        "start": str(about.rest.uid) if about.rest else "",
        "measured_by": request.actor.user_id,
    }
    if about.corrects is not None:
        return first | correction_values(about.corrects)
    if newest is not None and newest.verdict == "repeat":
        first["reason"] = "The rules ask for a repeat of the whole set."
    elif newest is not None and newest.systolic is None:
        first["reason"] = "The last set was not taken as asked."
    before = newest_vitals(participant, VitalSet.Gate.SCREENING)
    if before is not None:
        first |= {"cuff": before.cuff, "device": before.device, "girth_cm": before.girth_cm}
    arms = known_arms(participant)
    if arms is not None and len(arms.to_use) == 1:
        first["arm"] = next(iter(arms.to_use))
    elif before is not None:
        first["arm"] = before.arm
    return first


@requires(Cap.HEALTH_VIEW)
@require_GET
def vitals(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """One set: readings, which of them count, the decision beside its limits, and what comes next."""
    participant = access_participant(request.study, code)
    vital_set = access_vital_set(participant, uid)
    newest = newest_vitals(participant, vital_set.gate, vital_set.visit_uid)
    stands = newest is not None and newest.pk == vital_set.pk
    today = stands and vital_set.gate == VitalSet.Gate.PRE_DOSE  # at screening, on another day
    decided = vital_set.systolic is not None
    verdict = VERDICTS[vital_set.verdict]
    if decided and not vital_set.verdict:
        verdict = ("info", "decided; judged at the leave check")
    limits = current_protocol(request.study).plan.limits
    saw_after_dose(participant=participant, page="readings", actor=request.actor)
    history = set_history(vital_set)
    return render(
        request,
        "screening/vitals.html",
        {
            "participant": participant,
            "set": vital_set,
            "page": vital_page(vital_set),
            "places": PLACES,
            "verdict": verdict,
            "verdicts": VERDICTS,
            "symptoms": symptom_words(frozenset(vital_set.symptoms)),
            "before": ", ".join(BEFORE[key] for key in vital_set.before if key in BEFORE),
            "stands": stands,
            "repeat_now": today
            and vital_set.verdict == "repeat"
            and request.actor.may(Cap.VITALS_RECORD),
            "again_url": _again(participant, vital_set, next_url(request)),
            "history": history,
            "drawing": vital_chart([line.column for line in history]),
            "which_decides": RULES[vital_set.gate],
            "rest_before_repeat": limits.measuring.repeat_after_seconds // 60,
            "checks": check_lines(participant, vital_set.gate, vital_set.visit_uid, limits),
            "here": request.get_full_path(),
            "protocol": current_protocol(request.study),
            "next": next_url(request),
        },
    )


def _again(participant: Participant, vital_set: VitalSet, back: str) -> str:
    """Return where another set of the same check is taken."""
    slug, code = participant.study.slug, participant.code
    if vital_set.visit_uid is None:
        url = reverse("vitals_add", args=[slug, code, vital_set.gate])
    else:
        url = reverse("visit_vitals_add", args=[slug, code, vital_set.visit_uid, vital_set.gate])
    return with_query(url, next=back)
