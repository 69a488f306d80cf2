"""The planner: ask for a plan, watch it being made, and take all, some or none of it."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.forms.plan import PlanForm
from scheduling.models import PlanRun
from scheduling.selectors.plan_input import without_series
from scheduling.selectors.plan_pages import (
    access_run,
    gap,
    rows_shown,
    runs_of,
    state_kind,
    what_if_shown,
)
from scheduling.services.plan_check import proposal_of, troubles
from scheduling.services.plans import plan_ask, plan_decide, plan_stop
from studylab import clock
from studylab.access import Cap, in_background, requires
from studylab.errors import NotAllowed, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.selectors import today_in
from studylab.studies.selectors import plan_of

SHOWN = 12  # earlier plans on the page


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def plans(request: StaffRequest, study: str) -> HttpResponse:
    """Ask for a plan, or for what would fit if something changed; earlier ones are listed."""
    today = today_in(request.study.timezone)
    form = PlanForm(posted(request), initial=PlanForm.first_values(today))
    purpose = PlanRun.Purpose.WHAT_IF if "what_if" in request.POST else PlanRun.Purpose.PLAN

    def write() -> PlanRun:
        return plan_ask(
            study=request.study, purpose=purpose, actor=request.actor, **form.cleaned_data
        )

    waiting = list(without_series(request.study, clock.now()))
    runs = list(runs_of(request.study)[:SHOWN])
    return answer_form(
        request, form=form, template="scheduling/plan/plans.html", write=write,
        done=lambda run: reverse("plan_run", args=[request.study.slug, run.uid]),
        context={
            "waiting": waiting,
            "runs": [(run, state_kind(run)) for run in runs],
            "open_run": next((run for run in runs if run.is_open), None),
            "zone": request.study.timezone,
        },
    )  # fmt: skip


@requires(Cap.SERIES_BOOK)
@require_http_methods(["GET", "POST"])
def plan_run(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """One plan: how far it is, then what would be different, to be taken or left."""
    run = access_run(request.study, uid)
    if request.method == "GET":
        return _page(request, run)
    what = request.POST.get("what", "")
    rows = {row.uid for row in run.rows.all()}
    chosen = {"all": rows, "none": set[UUID]()}.get(what, _ticked(request) & rows)
    if what == "ticked" and not chosen:
        return _page(request, run, status=422, said="Tick at least one line, or take none.")
    try:
        written = plan_decide(run=run, chosen=chosen, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        return _page(request, run, refusal=refusal, ticked=chosen)
    said = f"{len(written)} series booked or moved." if written else "Nothing was taken."
    messages.success(request, said)
    return redirect("plan_run", study=study, uid=run.uid)


@requires(Cap.SERIES_BOOK)
@in_background
@require_GET
def plan_progress(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """The part of a plan's page that renews itself; asks for the whole page once the plan is there."""
    run = access_run(request.study, uid)
    response = render(request, "scheduling/plan/_progress.html", _progress(run))
    if not run.is_open:
        response["HX-Refresh"] = "true"
    return response


@requires(Cap.SERIES_BOOK)
@require_POST
def plan_halt(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Stop the making of a plan and keep the best found so far."""
    run = access_run(request.study, uid)
    try:
        plan_stop(run=run, actor=request.actor)
    except NotAllowed:
        raise
    except StudylabError as refusal:
        messages.warning(request, refusal.message)
    else:
        messages.success(request, "Stopping. The best plan found so far is kept.")
    return redirect("plan_run", study=study, uid=run.uid)


def _ticked(request: StaffRequest) -> set[UUID]:
    found = set()
    for text in request.POST.getlist("row"):
        try:
            found.add(UUID(text))
        except ValueError:
            continue
    return found


def _progress(run: PlanRun) -> dict[str, Any]:
    return {"run": run, "kind": state_kind(run), "gap": gap(run)}


def _page(
    request: StaffRequest,
    run: PlanRun,
    *,
    refusal: StudylabError | None = None,
    ticked: set[UUID] | None = None,
    said: str = "",
    status: int = 200,
) -> HttpResponse:
    found = _troubles(run) if refusal is not None else {}
    rows = rows_shown(run, found)
    context = _progress(run) | {
        "rows": [(row, not row.troubles and (ticked is None or row.uid in ticked)) for row in rows],
        "new": sum(not row.before for row in rows),
        "moved": sum(bool(row.before) for row in rows),
        "refusal": refusal,
        "said": said,
        "answers": what_if_shown(run) if run.purpose == PlanRun.Purpose.WHAT_IF else [],
        "zone": request.study.timezone,
    }
    return render(
        request, "scheduling/plan/run.html", context, status=refusal.status if refusal else status
    )


def _troubles(run: PlanRun) -> dict[str, tuple[str, ...]]:
    """Say line by line what no longer fits; a plan that was decided on needs no second look."""
    if run.decided_at is not None:
        return {}
    plan = plan_of(run.protocol_version)
    rows = run.rows.select_related("participant__study", "series").prefetch_related(
        "series__visits"
    )
    return troubles(plan, [proposal_of(plan, row) for row in rows], clock.now())
