"""The run sheet of a visit, and the acts on it: start, record, leave out, correct, finish, stop."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.forms import BaseForm
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.steps import SkipForm, StartForm, StepForm, StopForm
from scheduling.models import Visit
from scheduling.rules.step_values import ELSEWHERE
from scheduling.selectors.sheet import Sheet, access_visit, sheet_of
from scheduling.services.steps import step_correct as correct
from scheduling.services.steps import step_record as record
from scheduling.services.steps import step_skip as skip
from scheduling.services.visits import visit_finish as finish
from scheduling.services.visits import visit_start as start
from scheduling.services.visits import visit_stop as stop
from scheduling.views.sheet_page import Row, may_not_rate, row_of, show_sheet, step_url
from scheduling.views.words import sheet_url
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import RefusedWithReasons, StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal


@requires(Cap.TODAY_VIEW)
@require_GET
def visit(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show the run sheet; who runs visits finds the form of the next step open."""
    return show_sheet(request, access_visit(request.study, uid))


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def visit_start(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Start a booked visit; a page reloaded here shows the sheet again."""
    found = access_visit(request.study, uid)
    if request.method != "POST":
        return redirect(sheet_url(found))
    form = StartForm(request.POST)

    def write() -> object:
        return start(visit=found, reason=form.cleaned_data["reason"], actor=request.actor)

    return _act(request, found, form, write, message="The visit is under way.")


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def visit_finish(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Finish a visit whose steps are all settled; a page reloaded here shows the sheet again."""
    found = access_visit(request.study, uid)
    if request.method != "POST":
        return redirect(sheet_url(found))
    try:
        finish(visit=found, actor=request.actor)
    except RefusedWithReasons as refusal:
        messages.error(request, " ".join([refusal.message, *refusal.reasons]))
        return show_sheet(request, access_visit(request.study, uid), status=refusal.status)
    except StudylabError as refusal:
        if refusal.status == 403:
            raise
        messages.error(request, refusal.message)
        return show_sheet(request, access_visit(request.study, uid), status=refusal.status)
    messages.success(request, f"Visit {found.number} is finished.")
    return redirect(sheet_url(found))


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def visit_stop(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Stop a visit before its end."""
    found = access_visit(request.study, uid)
    sheet = sheet_of(found, clock.now())
    watched = sheet.dose is not None and not sheet.left
    form = StopForm(posted(request), watched=watched)

    def write() -> object:
        return stop(visit=found, actor=request.actor, **form.cleaned_data)

    return answer_form(
        request, form=form, template="scheduling/sheet/stop.html", write=write,
        done=lambda _: sheet_url(found), message=f"Visit {found.number} is stopped.",
        context={**_about(found), "watched": watched, "sheet": sheet},
    )  # fmt: skip


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def step_record(request: StaffRequest, study: str, uid: UUID, step: str) -> HttpResponse:
    """Record a step. GET shows one step alone, for doing it out of order."""
    found = access_visit(request.study, uid)
    sheet, row = _step(found, step)
    if row.sheet_step.step.kind in ELSEWHERE:
        return redirect(step_url(found, row.sheet_step))
    not_naive = may_not_rate(row.sheet_step.step, found, request.actor)
    form = StepForm(
        posted(request), step=row.sheet_step.step, out_of_order=row.out_of_order or not_naive,
        so_far=row.sheet_step.record,
    )  # fmt: skip

    def write() -> object:
        return record(
            visit=found, step_key=step, value=form.kept, occurred_at=form.happened_at(),
            client_id=form.client_id_value, device_at=form.cleaned_data["device_at"],
            deviation_reason=form.cleaned_data.get("deviation_reason", ""), actor=request.actor,
        )  # fmt: skip

    if request.method == "POST" and sheet.next_step is row.sheet_step.step:
        return _act(request, found, form, write)
    return answer_form(
        request, form=form, template="scheduling/sheet/step.html", write=write,
        done=lambda _: sheet_url(found, "now"),
        context={**_about(found), "row": row, "step_form": form},
    )  # fmt: skip


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def step_skip(request: StaffRequest, study: str, uid: UUID, step: str) -> HttpResponse:
    """Leave a step out."""
    found = access_visit(request.study, uid)
    _, row = _step(found, step)
    form = SkipForm(posted(request))

    def write() -> object:
        return skip(
            visit=found, step_key=step, reason=form.cleaned_data["reason"], actor=request.actor
        )

    return answer_form(
        request, form=form, template="scheduling/sheet/skip.html", write=write,
        done=lambda _: sheet_url(found, "now"), context={**_about(found), "row": row},
    )  # fmt: skip


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def step_correct(request: StaffRequest, study: str, uid: UUID, step: str) -> HttpResponse:
    """Correct what was recorded at a step; the old record stays."""
    found = access_visit(request.study, uid)
    _, row = _step(found, step)
    standing = row.sheet_step.record
    if standing is None or not row.correct_url or row.sheet_step.step.kind in ELSEWHERE:
        raise Http404("Nothing is recorded here that could be corrected.")
    form = StepForm(posted(request), step=row.sheet_step.step, record=standing)

    def write() -> object:
        return correct(
            record=standing, value=form.kept, occurred_at=form.happened_at(),
            reason=form.cleaned_data["reason"], actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="scheduling/sheet/correct.html", write=write,
        done=lambda _: sheet_url(found, "steps"),
        message="Corrected. The earlier entry stays on record.", shown=f"{standing.pk}",
        context={**_about(found), "row": row, "step_form": form},
    )  # fmt: skip


def _act(
    request: StaffRequest,
    found: Visit,
    form: BaseForm,
    write: Callable[[], object],
    *,
    message: str = "",
) -> HttpResponse:
    """Take a form that stands on the run sheet itself; refused, the sheet comes back with it."""
    status = 422
    if form.is_valid():
        try:
            write()
        except StudylabError as refusal:
            take_refusal(form, refusal)
            status = refusal.status
        else:
            if message:
                messages.success(request, message)
            return redirect(sheet_url(found, "now"))
    fresh = access_visit(request.study, found.uid)
    return show_sheet(request, fresh, form=form, status=status)


def _step(found: Visit, key: str) -> tuple[Sheet, Row]:
    now = clock.now()
    sheet = sheet_of(found, now)
    row = row_of(sheet, key)
    if row is None:
        raise Http404("This visit has no such step.")
    return sheet, row


def _about(found: Visit) -> dict[str, Any]:
    return {
        "current_section": "today",
        "visit": found,
        "participant": found.participant,
        "back": sheet_url(found, "now"),
    }
