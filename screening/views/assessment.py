"""What the rules say about somebody's answers and values."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from screening.models import Assessment
from screening.selectors import current_inputs, newest_assessment, sign_off_state
from screening.selectors.inputs import unknown_medicines
from screening.selectors.visits import access_visit
from screening.services import assessment_refresh
from screening.views.words import DISPOSITIONS, OUTCOMES, SIGN_OFFS, next_url
from studylab import clock
from studylab.access import Cap, requires
from studylab.http import StaffRequest
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant


@requires(Cap.HEALTH_VIEW)
@require_GET
def assessment(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """The newest assessment at screening."""
    participant = access_participant(request.study, code)
    return _show(request, participant, gate="screening", visit_uid=None)


@requires(Cap.HEALTH_VIEW)
@require_GET
def dosing_day_assessment(
    request: StaffRequest, study: str, code: str, visit_uid: UUID
) -> HttpResponse:
    """What the rules say about today's answers."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    return _show(request, participant, gate="dosing_day", visit_uid=visit_uid)


def _show(
    request: StaffRequest, participant: Participant, *, gate: str, visit_uid: UUID | None
) -> HttpResponse:
    made = newest_assessment(participant, gate, visit_uid)
    inputs = current_inputs(participant, gate, visit_uid)
    findings = made.findings if made else []
    state = sign_off_state(participant, clock.now())
    return render(
        request,
        "screening/assessment.html",
        {
            "participant": participant,
            "gate": gate,
            "visit_uid": visit_uid,
            "made": made,
            "outcome": OUTCOMES[made.outcome] if made else None,
            "first": _first(made) if made else "",
            "findings": [f for f in findings if f["disposition"] != "note"],
            "notes": [f for f in findings if f["disposition"] == "note"],
            "dispositions": DISPOSITIONS,
            "unknown": unknown_medicines(inputs),
            "outdated": made is not None and made.inputs_digest != inputs.digest,
            "sign_off": state,
            "sign_off_words": SIGN_OFFS[state.kind],
            "protocol": inputs.protocol,
            "next": next_url(request),
        },
    )


def _first(made: Assessment) -> str:
    """Return the sentence on what decided it before anything else."""
    if made.outcome == Assessment.Outcome.CANNOT_DECIDE and made.missing:
        gap = made.missing[0]
        return f"{gap['what']} {gap['why']}"
    deciding = [f for f in made.findings if f["disposition"] != "note"]
    if deciding:
        return f"{deciding[0]['concept']}: {deciding[0]['said']}"
    return "Nothing in the answers and values stands in the way. A physician decides."


@requires(Cap.QUESTIONS_RECORD)
@require_POST
def assessment_again(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Run the rules again: the protocol, the rules or the time since a medicine may have changed."""
    participant = access_participant(request.study, code)
    before = newest_assessment(participant, Assessment.Gate.SCREENING)
    made = assessment_refresh(
        participant=participant, gate=Assessment.Gate.SCREENING, actor=request.actor
    )
    same = before is not None and before.pk == made.pk
    messages.success(
        request, "The rules say the same as before." if same else "The rules were run again."
    )
    return redirect(
        next_url(request) or "assessment", *([] if next_url(request) else [study, code])
    )
