"""Long work of the study and of the site in one place: how far it is, to be stopped and begun again."""

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from studylab.access import Actor, Cap, in_background, require, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest
from studylab.operation.work import AT_ONCE, Work, WorkKind, work_kinds

_Act = Callable[[object, str, Actor], str]


@dataclass(frozen=True, slots=True)
class Shown:
    """One kind of work with its rows; `may_act` when the person may stop it and begin it again."""

    kind: WorkKind
    rows: list[Work]
    may_act: bool


@requires(Cap.WORK_VIEW)
@require_GET
def running(request: StaffRequest, study: str) -> HttpResponse:
    """List what runs, waits, ended, was stopped or failed."""
    return render(request, "reports/running.html", _shown(request))


@requires(Cap.WORK_VIEW)
@in_background
@require_GET
def running_rows(request: StaffRequest, study: str) -> HttpResponse:
    """The part of the page that renews itself, as long as something is open."""
    return render(request, "reports/_running.html", _shown(request))


@requires(Cap.WORK_VIEW)
@require_POST
def running_stop(request: StaffRequest, study: str, kind: str, key: UUID) -> HttpResponse:
    """Stop one piece of work."""
    found = _kind(request, kind)
    return _act(request, found, found.stop, key)


@requires(Cap.WORK_VIEW)
@require_POST
def running_again(request: StaffRequest, study: str, kind: str, key: UUID) -> HttpResponse:
    """Ask for the same once more, or let it go on."""
    found = _kind(request, kind)
    return _act(request, found, found.again, key)


def _kind(request: StaffRequest, key: str) -> WorkKind:
    for kind in work_kinds():
        if kind.key == key and request.actor.may(kind.view):
            return kind
    raise Http404


def _act(request: StaffRequest, kind: WorkKind, act: _Act, key: UUID) -> HttpResponse:
    require(request.actor, kind.act)
    try:
        messages.success(request, act(request.study, str(key), request.actor))
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.warning(request, refusal.message)
    return redirect("set_up_running", study=request.study.slug)


def _shown(request: StaffRequest) -> dict[str, object]:
    kinds = [
        Shown(kind, kind.rows(request.study, AT_ONCE), request.actor.may(kind.act))
        for kind in work_kinds()
        if request.actor.may(kind.view)
    ]
    return {"kinds": kinds, "is_open": any(row.is_open for one in kinds for row in one.rows)}
