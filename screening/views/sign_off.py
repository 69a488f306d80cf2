"""The sign-off queue, and one person's page in it."""

from itertools import pairwise
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from screening.forms.sign_off import RequestAnswerForm, SignOffForm
from screening.models import Assessment, SignOff
from screening.selectors import current_inputs, newest_assessment, sign_off_queue, sign_off_state
from screening.selectors.answers import answer_sets, as_medicines
from screening.selectors.ecgs import unread_ecgs
from screening.selectors.history import Change, changes
from screening.selectors.lapsing import lapsing
from screening.selectors.medicines import washouts_of
from screening.selectors.notes import note_lines, open_notes_in
from screening.selectors.own_records import own_records
from screening.selectors.queue import findings_of, next_in_queue
from screening.selectors.requests import access_request, asked_for, open_requests
from screening.selectors.sign_off import sign_off_history
from screening.selectors.staff_ties import staff_ties
from screening.selectors.vital_page import vital_page
from screening.selectors.vitals import standing_sets
from screening.services import number_issue, sign_off_give
from screening.services.requests import request_answer
from screening.views.words import (
    DISPOSITIONS,
    OUTCOMES,
    PLACES,
    SIGN_OFFS,
    VERDICTS,
    WAITING,
    by_who,
    next_url,
    said_by_topic,
)
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.studies.selectors import current_protocol

PER_PAGE = 50


@requires(Cap.SIGN_OFF)
@require_GET
def queue(request: StaffRequest, study: str) -> HttpResponse:
    """Who waits for a decision: the nearest visit first, then the longest waiting."""
    page = Paginator(sign_off_queue(request.study), PER_PAGE).get_page(request.GET.get("page"))
    found = findings_of([item.assessment for item in page.object_list])
    items = [
        {
            "item": item,
            "outcome": OUTCOMES[item.assessment.outcome],
            "waiting": WAITING[item.waiting],
            "flags": sum(f["disposition"] == "physician" for f in found[item.assessment.pk]),
        }
        for item in page.object_list
    ]
    context = {
        "items": items,
        "page": page,
        "protocol": current_protocol(request.study),
        "lapsing": lapsing(request.study, clock.now()),
        "asked": open_requests(request.study),
        "ecgs": unread_ecgs(request.study),
        "notes": open_notes_in(request.study),
    }
    return render(request, "screening/sign_off_queue.html", context)


@requires(Cap.SIGN_OFF)
@require_http_methods(["GET", "POST"])
def sign_off(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Everything a physician needs for the decision, and the signature."""
    participant = access_participant(request.study, code)
    made = newest_assessment(participant, Assessment.Gate.SCREENING)
    context = _context(participant, made)
    if made is None:
        return render(request, "screening/sign_off.html", context)
    limits = context["protocol"].plan.limits
    form = SignOffForm(posted(request), assessment=made, limits=limits, records=context["records"])
    if request.method == "POST" and request.POST.get("assessed") != str(made.pk):
        # The items on the page the physician saw may be others than those of the newest assessment.
        raise Conflict(
            "Answers or values changed since you opened this page, so nothing was signed. Open it again and "
            "look at them before signing."
        )
    return answer_form(
        request,
        form=form,
        template="screening/sign_off.html",
        write=lambda: _sign(request, participant, made, form),
        done=lambda _: _after(request, participant),
        message=f"Signed for {participant.code}.",
        context=context,
    )


def _after(request: StaffRequest, participant: Participant) -> str:
    """Return where signing leads: to the next person in the queue where that is wished, else to the queue."""
    study = request.study
    upcoming = next_in_queue(study, participant) if "open_next" in request.POST else None
    if upcoming is None:
        return reverse("sign_off_queue", args=[study.slug])
    return reverse("sign_off", args=[study.slug, upcoming.code])


def _sign(
    request: StaffRequest, participant: Participant, made: Assessment, form: SignOffForm
) -> SignOff:
    return sign_off_give(
        participant=participant,
        assessment=made,
        decision=form.cleaned_data["decision"],
        item_decisions=form.item_decisions(),
        personal_limits=form.personal_limits(),
        reason=form.cleaned_data["reason"],
        requests=form.requests(),
        records_seen=form.cleaned_data.get("records_seen", ()),
        password=form.cleaned_data["password"],
        actor=request.actor,
    )


def _context(participant: Participant, made: Assessment | None) -> dict[str, Any]:
    inputs = current_inputs(participant, Assessment.Gate.SCREENING)
    state = sign_off_state(participant, clock.now())
    history = sign_off_history(participant)
    sets = list(standing_sets(participant, "screening").select_related("participant__study"))
    findings = made.findings if made else []
    return {
        "participant": participant,
        "made": made,
        "outcome": OUTCOMES[made.outcome] if made else None,
        "findings": [f for f in findings if f["disposition"] in ("exclude", "hold")],
        "notes": [f for f in findings if f["disposition"] == "note"],
        "who_lacks": by_who(made.missing if made else []),
        "washouts": washouts_of(participant, clock.now()),
        "dispositions": DISPOSITIONS,
        "places": PLACES,
        "outdated": made is not None and made.inputs_digest != inputs.digest,
        "inputs": inputs,
        "topics": said_by_topic(inputs.table, "screening", inputs.answer_set),
        "medicines": as_medicines(inputs.answer_set.medicines) if inputs.answer_set else (),
        "differences": _differences(participant, inputs.table.asked("screening")),
        "vital_sets": [(one, vital_page(one), VERDICTS[one.verdict]) for one in reversed(sets)],
        "state": state,
        "state_words": SIGN_OFFS[state.kind],
        "history": [
            (one, one.assessment_id != (made.pk if made else 0), SIGN_OFFS[one.decision])
            for one in history
        ],
        "protocol": inputs.protocol,
        "records": own_records(participant),
        "ties": staff_ties(participant),
        "asked_notes": note_lines(participant),
        "asked": asked_for(participant.study).get(participant.pk, []),
    }


def _differences(participant: Participant, rows: Any) -> list[Change]:
    """Return everything that was changed in the answers at screening, oldest first."""
    sets = list(answer_sets(participant, "screening"))
    return [change for earlier, later in pairwise(sets) for change in changes(earlier, later, rows)]


@requires(Cap.QUESTIONS_RECORD)
@require_http_methods(["GET", "POST"])
def bring(
    request: StaffRequest, study: str, code: str, signature: UUID, index: int
) -> HttpResponse:
    """Bring what a physician asked for."""
    participant = access_participant(request.study, code)
    asked = access_request(request.study, code, signature, index)
    form = RequestAnswerForm(request.POST if request.method == "POST" else None)
    return answer_form(
        request,
        form=form,
        template="screening/request_answer.html",
        write=lambda: request_answer(
            sign_off=asked.sign_off,
            index=index,
            note=form.cleaned_data["note"],
            actor=request.actor,
        ),
        done=lambda _: reverse("home", args=[study]),
        message=f"Brought for {code}. The physician sees it once everything asked for is there.",
        context={"participant": participant, "asked": asked},
    )


@requires(Cap.NUMBER_ISSUE)
@require_POST
def number(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Issue the volunteer's allocation number."""
    participant = access_participant(request.study, code)
    try:
        entry = number_issue(participant=participant, actor=request.actor)
    except StudylabError as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, f"Number {entry.number} is issued to {participant.code}.")
    back = next_url(request)
    return redirect(back) if back else redirect("volunteer", study, participant.code)
