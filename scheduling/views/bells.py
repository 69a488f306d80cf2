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
    """List the same by place and time only: nothing by which a volunteer is known, and no value."""
    return render(request, "scheduling/bells/_rows.html", _context(request) | {"named": False})


def _context(request: HttpRequest) -> dict[str, Any]:
    now = clock.now()
    assert isinstance(request.user, User)
    rows = []
    for study in studies_of(request.user):
        if actor_for(request.user, study).may(Cap.TODAY_VIEW):
            rows += [(study, row) for row in bells_of(study, now)]
    rows.sort(key=lambda pair: (pair[1].bell.target, pair[1].visit.pk))
    return {"rows": rows, "now": now, "several": len({study.pk for study, _ in rows}) > 1}
