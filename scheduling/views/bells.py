"""What rings, and the same without names for a locked screen. Both are asked for by pages themselves."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.selectors.bells import bells_of
from studylab import clock
from studylab.access import Cap, in_background, requires, while_locked
from studylab.people.models import User
from studylab.people.selectors import actor_for, studies_of
from studylab.studies.selectors import current_protocol


@requires(Cap.SIGNED_IN)
@in_background
@require_GET
def bells(request: HttpRequest) -> HttpResponse:
    """List what runs in every study in which this person sees Today, with codes and ways to the run sheets."""
    return render(request, "scheduling/bells/_rows.html", _context(request) | {"named": True})


@requires(Cap.SIGNED_IN)
@while_locked
@in_background
@require_GET
def bells_locked(request: HttpRequest) -> HttpResponse:
    """List the same by place and time only, and whom to call: nothing by which a volunteer is known, and no value."""
    context = _context(request) | {"named": False}
    if "number" not in request.GET:  # the page the lock came over had none to show
        studies = [
            study for study in studies_of(_user(request)) if study.protocol_versions.exists()
        ]
        numbers = (current_protocol(study).plan.emergency_number for study in studies)
        context["numbers"] = list(dict.fromkeys(numbers))
    return render(request, "scheduling/bells/_rows.html", context)


def _context(request: HttpRequest) -> dict[str, Any]:
    now = clock.now()
    user = _user(request)
    rows = []
    for study in studies_of(user):
        if actor_for(user, study).may(Cap.TODAY_VIEW):
            rows += [(study, row) for row in bells_of(study, now)]
    rows.sort(key=lambda pair: (pair[1].bell.target, pair[1].visit.pk))
    return {"rows": rows, "now": now, "several": len({study.pk for study, _ in rows}) > 1}


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user
