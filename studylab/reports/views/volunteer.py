"""The page of one volunteer."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from screening.services.exposure import saw_after_dose
from screening.views.words import OUTCOMES, SIGN_OFFS
from studylab import clock
from studylab.access import Actor, Cap, requires
from studylab.allocation.selectors import given_at
from studylab.http import StaffRequest
from studylab.participants.models import Participant
from studylab.participants.selectors import access_participant
from studylab.reports.selectors.person import person_page
from studylab.reports.selectors.person_file import file_of_person

STATUS_KINDS = {"active": "info", "completed": "ok"}  # every other end: "warn"
VISIT_KINDS = {
    "booked": "info", "running": "wait", "done": "ok", "missed": "warn", "stopped": "stop",
    "cancelled": "stop",
}  # fmt: skip


@requires(Cap.HEALTH_VIEW)
@require_GET
def person_file(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show everything about the volunteer in the order of time, for print."""
    person = access_participant(request.study, code)
    saw_after_dose(participant=person, page="file", actor=request.actor)
    context = {"person": person, "entries": file_of_person(person), "made_at": clock.now()}
    return render(request, "reports/person_file.html", context)


@requires(Cap.VOLUNTEER_VIEW)
@require_GET
def volunteer(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show where the volunteer is, what comes next and what is on record."""
    person = access_participant(request.study, code)
    context = person_page(request.study, person, request.actor, clock.now())
    if _tells(person, context, request.actor):
        saw_after_dose(participant=person, page="volunteer", actor=request.actor)
    context |= {
        "status_kind": STATUS_KINDS.get(person.status, "warn"),
        "visit_kinds": VISIT_KINDS,
        "current_section": "volunteers",
        **_health_words(context),
    }
    return render(request, "reports/volunteer.html", context)


def _tells(person: Participant, context: dict[str, Any], actor: Actor) -> bool:
    """Whether the page shows why somebody was put on hold after the dose: reasons may name values."""
    given = given_at(person) if context["holds"] and actor.may(Cap.HEALTH_VIEW) else None
    return given is not None and any(hold.opened_at > given for hold in context["holds"])


def _health_words(context: dict[str, Any]) -> dict[str, Any]:
    """Return the shapes and words of assessment and sign-off; nothing for who may not see health."""
    if "sign_off" not in context:
        return {}
    words: dict[str, Any] = {}
    words["sign_off_kind"], words["sign_off_word"] = SIGN_OFFS[context["signed"]]
    words["sign_off_void"] = context["signed"] == "void"
    if context["assessment"]:
        words["outcome_kind"], words["outcome_word"] = OUTCOMES[context["assessment"].outcome]
    return words
