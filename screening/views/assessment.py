"""What the rules say about somebody's answers and values."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from screening.models import Assessment
from screening.rules.compare import deciding
from screening.rules.rows import QuestionRow
from screening.selectors import (
    current_inputs,
    newest_assessment,
    sign_off_state,
    washouts_of,
)
from screening.selectors.inputs import unknown_medicines
from screening.selectors.own_records import known_to_site
from screening.selectors.since import assessments_of, since
from screening.selectors.visits import access_visit
from screening.services import assessment_refresh
from screening.views.words import (
    DISPOSITIONS,
    FINDING_CHANGES,
    OUTCOMES,
    SIGN_OFFS,
    by_who,
    next_url,
)
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


@requires(Cap.HEALTH_VIEW)
@require_GET
def ahead_assessment(request: StaffRequest, study: str, code: str, visit_uid: UUID) -> HttpResponse:
    """What the rules say about the answers given before a dosing visit."""
    participant = access_participant(request.study, code)
    access_visit(participant, visit_uid)
    return _show(request, participant, gate="ahead", visit_uid=visit_uid)


def _show(
    request: StaffRequest, participant: Participant, *, gate: str, visit_uid: UUID | None
) -> HttpResponse:
    made = newest_assessment(participant, gate, visit_uid)
    inputs = current_inputs(participant, gate, visit_uid)
    state = sign_off_state(participant, clock.now())
    context: dict[str, Any] = {
        "participant": participant,
        "gate": gate,
        "visit_uid": visit_uid,
        "made": made,
        "dispositions": DISPOSITIONS,
        "unknown": unknown_medicines(inputs),
        "washouts": washouts_of(participant, clock.now()),
        "outdated": made is not None and made.inputs_digest != inputs.digest,
        "sign_off": state,
        "sign_off_words": SIGN_OFFS[state.kind],
        "protocol": inputs.protocol,
        "next": next_url(request),
        "known": gate == "screening" and known_to_site(participant),
    }
    if made is not None:
        context |= _said(made, inputs.table.asked(made.gate))  # type: ignore[arg-type]
    return render(request, "screening/assessment.html", context)


def _said(made: Assessment, rows: tuple[QuestionRow, ...]) -> dict[str, Any]:
    """Return what an assessment says: what decided it first, then the rest in order of weight."""
    decided = deciding(made.outcome, made.findings)
    past = assessments_of(made)
    return {
        "outcome": OUTCOMES[made.outcome],
        "first": _first(made, decided),
        "decided": decided,
        "also": [f for f in made.findings if f not in decided and f["disposition"] != "note"],
        "notes": [f for f in made.findings if f["disposition"] == "note"],
        "who_lacks": by_who(made.missing),
        "since": since(past[1], made, rows) if len(past) > 1 else None,
        "before": OUTCOMES[past[1].outcome] if len(past) > 1 else None,
        "finding_words": FINDING_CHANGES,
        "past": [(one, OUTCOMES[one.outcome]) for one in past[1:]],
    }


def _first(made: Assessment, decided: list[Any]) -> str:
    """Return the sentence on what decided it, before anything else."""
    if made.outcome == Assessment.Outcome.CANNOT_DECIDE:
        number = len(made.missing)
        thing = "1 thing is" if number == 1 else f"{number} things are"
        return f"{thing} missing, and missing is never a pass."
    if decided:
        return (
            "Decided by: "
            + "; ".join(f"{found['concept']} ({found['said']})" for found in decided[:3])
            + (f"; and {len(decided) - 3} more." if len(decided) > 3 else ".")
        )
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
