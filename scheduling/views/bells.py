"""What rings, and the same without names for a locked screen. Both are asked for by pages themselves."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.models import Visit
from scheduling.selectors.bells import BellRow, bells_of, studies_running
from studylab import clock
from studylab.access import Cap, in_background, requires, while_locked
from studylab.people.models import User
from studylab.people.selectors import actor_for, studies_of
from studylab.studies.models import Study
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


@dataclass(frozen=True, slots=True)
class Group:
    """What runs for one volunteer: `shown` is due or the next thing, `later` follows."""

    study: Study
    visit: Visit
    places: tuple[str, ...]
    shown: list[BellRow]
    later: list[BellRow]

    @property
    def state(self) -> str:
        """The worst of all rows."""
        states = {row.state for row in self.shown}
        return next(one for one in ("late", "due", "waiting") if one in states)


def _context(request: HttpRequest) -> dict[str, Any]:
    now = clock.now()
    user = _user(request)
    groups: list[Group] = []
    for study in studies_running(studies_of(user)):
        if actor_for(user, study).may(Cap.TODAY_VIEW):
            groups += _groups(study, bells_of(study, now))
    groups.sort(key=lambda group: (group.shown[0].bell.target, group.visit.pk))
    several = len({group.study.pk for group in groups}) > 1
    return {"groups": groups, "now": now, "several": several}


def _groups(study: Study, rows: list[BellRow]) -> list[Group]:
    """Return the rows of each visit together, in the order of its first."""
    by_visit: dict[int, list[BellRow]] = {}
    for row in rows:
        by_visit.setdefault(row.visit.pk, []).append(row)
    groups = []
    for mine in by_visit.values():
        due = sum(row.state != "waiting" for row in mine)
        groups.append(Group(study, mine[0].visit, mine[0].places, mine[: due + 1], mine[due + 1 :]))
    return groups


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user
