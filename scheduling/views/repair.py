"""What cannot be used, which visits that hits, and the repair for all of them at once."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from scheduling.models import Visit
from scheduling.selectors.outages import (
    RepairShown,
    repairs_shown,
)
from scheduling.selectors.sealed import open_option
from scheduling.services.change import visit_move
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, StudylabError
from studylab.http import StaffRequest


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def repair(request: StaffRequest, study: str) -> HttpResponse:
    """Every visit that lies where something is not open, before and after, to be taken or left."""
    rows = repairs_shown(request.study, clock.now())
    if request.method == "GET":
        return _page(request, rows)
    what = request.POST.get("what", "")
    ticked = set(request.POST.getlist("row"))
    chosen = [
        row for row in rows if row.token and (what == "all" or str(row.uid) in ticked)
    ]  # fmt: skip
    if what == "none":
        messages.success(request, "Nothing was taken. The visits stay as they are and stay listed.")
        return redirect("repair", study=study)
    asked = len(ticked) if what == "ticked" else len([row for row in rows if row.token])
    if not asked:
        return _page(request, rows, said="Tick at least one line, or take none.", status=422)
    refused = _carry_out(request, chosen)
    taken = len(chosen) - len(refused)
    gone = (
        [] if len(chosen) == asked else ["Some lines changed since this page was made; look again."]
    )
    if taken:
        messages.success(request, f"{taken} series repaired.")
    if refused or gone:
        fresh = repairs_shown(request.study, clock.now())
        return _page(request, fresh, refused=[*refused, *gone], status=409)
    return redirect("repair", study=study)


def _carry_out(request: StaffRequest, rows: list[RepairShown]) -> list[str]:
    """Write each in its own transaction, in the order in which they were worked out; say what was refused."""
    refused = []
    for row in rows:
        shown = request.POST.get(f"option-{row.uid}", "")
        try:
            _one(request, row, shown)
        except NotAllowed:
            raise
        except StudylabError as refusal:
            refused.append(f"{row.code}: {refusal.message}")
    return refused


def _one(request: StaffRequest, row: RepairShown, shown: str) -> None:
    visit = (
        Visit.objects.filter(uid=row.uid, participant__study=request.study)
        .select_related("series__protocol_version", "participant__study")
        .get()
    )
    option = open_option(shown, version=visit.series.protocol_version, about=str(visit.uid))
    fresh = open_option(row.token, version=visit.series.protocol_version, about=str(visit.uid))
    if [one.start for one in option.visits] != [one.start for one in fresh.visits]:
        raise Conflict("What fits changed since this page was made. Look again.")
    visit_move(
        visit=visit, option=option, actor=request.actor,
        reason=f"Not usable: {', '.join(row.lost)}."[:300],
    )  # fmt: skip


def _page(
    request: StaffRequest,
    rows: list[RepairShown],
    *,
    said: str = "",
    refused: list[str] | None = None,
    status: int = 200,
) -> HttpResponse:
    groups = [
        ("place", "Same time, another place", "The volunteer need not be told."),
        ("time", "Another time", "The volunteer has to agree: call before you take it."),
        ("call", "Needs a call", "Nothing fits by itself."),
    ]
    context: dict[str, Any] = {
        "rows": rows,
        "groups": [
            (key, title, text, [row for row in rows if row.kind == key])
            for key, title, text in groups
            if any(row.kind == key for row in rows)
        ],
        "can_take": sum(bool(row.token) for row in rows),
        "said": said,
        "refused": refused or [],
        "zone": request.study.timezone,
    }
    return render(request, "scheduling/repair/repair.html", context, status=status)
