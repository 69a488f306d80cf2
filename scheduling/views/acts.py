"""Acts that a tablet kept until it had network: each is taken once, and answered in words for the tablet's page."""

from typing import Any
from uuid import UUID

from django.http import Http404, JsonResponse
from django.views.decorators.http import require_POST

from scheduling.forms.acts import KeptActForm
from scheduling.forms.steps import SkipForm, StepForm
from scheduling.models import StepRecord, Visit
from scheduling.rules.step_values import ELSEWHERE, said_value
from scheduling.rules.tablet_time import TabletTime
from scheduling.selectors.sheet import access_visit, sheet_of
from scheduling.services.steps import step_correct, step_record, step_skip
from scheduling.views.sheet_page import Row, may_not_rate, row_of
from studylab import clock
from studylab.access import Cap, in_background, open_to_kept_away, requires
from studylab.errors import Refused, RefusedWithReasons, StudylabError
from studylab.http import StaffRequest
from studylab.participants.kept_away import check_not_away

NEEDS_SERVER = "This step is done with the server, on its own page. Nothing was recorded."
ANOTHER = "Somebody else entered this on the tablet. It is sent when they sign in."


@requires(Cap.VISIT_RUN)
@in_background
@open_to_kept_away  # the tablet is told in its own words
@require_POST
def step_act(request: StaffRequest, study: str, uid: UUID, step: str) -> JsonResponse:
    """Record, leave out or correct a step with what a tablet kept; sent again, answer as the first time.

    200 with what is on record; 422 or 409 with `said`, `reasons`, `code`, and what the server has of the step.
    """
    visit = access_visit(request.study, uid)
    try:
        check_not_away(visit.participant, request.actor)
    except Refused as refusal:
        return _refused(refusal.message, None, refusal.status, refusal.code)
    row = row_of(sheet_of(visit, clock.now()), step)
    if row is None:
        raise Http404("This visit has no such step.")
    kept = KeptActForm(request.POST)
    if not kept.is_valid():
        return _refused(_first(kept), row, 422)
    if kept.cleaned_data["person"] != request.actor.user_id:
        return _refused(ANOTHER, row, 409, code="other_person")
    if row.sheet_step.step.kind in ELSEWHERE:
        return _refused(NEEDS_SERVER, row, 422)
    now = clock.now()
    time = kept.time(received_at=now, not_before=visit.started_at or now)
    act = {"record": _record, "skip": _skip, "correct": _correct}[kept.cleaned_data["act"]]
    try:
        record = act(request, visit, row, time)
    except _WrongForm as problem:
        return _refused(problem.said, row, 422)
    except StudylabError as refusal:
        fresh = row_of(sheet_of(visit, clock.now()), step) or row
        reasons = refusal.reasons if isinstance(refusal, RefusedWithReasons) else ()
        return _refused(refusal.message, fresh, refusal.status, refusal.code, list(reasons))
    return JsonResponse({"recorded": _recorded(row, record)})


class _WrongForm(Exception):
    def __init__(self, said: str) -> None:
        self.said = said


def _record(request: StaffRequest, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    step = row.sheet_step.step
    form = StepForm(
        request.POST, step=step, so_far=row.sheet_step.record, at=time.happened_at,
        out_of_order=bool(request.POST.get("deviation_reason")) or may_not_rate(step, visit, request.actor),
    )  # fmt: skip
    _valid(form)
    return step_record(
        visit=visit, step_key=step.key, value=form.kept, occurred_at=form.happened_at(),
        client_id=form.client_id_value, tablet=_as_entered(form, time),
        deviation_reason=form.cleaned_data.get("deviation_reason", ""), actor=request.actor,
    )  # fmt: skip


def _skip(request: StaffRequest, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    form = SkipForm(request.POST)
    _valid(form)
    return step_skip(
        visit=visit, step_key=row.sheet_step.step.key, reason=form.cleaned_data["reason"],
        client_id=_client_id(request), tablet=time, actor=request.actor,
    )  # fmt: skip


def _correct(request: StaffRequest, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    """Put what was entered here in the place of what the server has, with a reason."""
    standing = row.sheet_step.record
    if standing is None:
        raise _WrongForm("Nothing is recorded at this step that could be corrected. Send it again.")
    data = request.POST.copy()
    if not data.get("occurred_at"):
        data["occurred_at"] = time.happened_at.isoformat()
    form = StepForm(data, step=row.sheet_step.step, record=standing, at=time.happened_at)
    _valid(form)
    return step_correct(
        record=standing, value=form.kept, occurred_at=form.happened_at(),
        reason=form.cleaned_data["reason"], client_id=form.client_id_value,
        tablet=_as_entered(form, time), actor=request.actor,
    )  # fmt: skip


def _as_entered(form: StepForm, time: TabletTime) -> TabletTime:
    """A time that a person typed is theirs: what the tablet's clock says of it does not make it uncertain."""
    if form.data.get("occurred_at") and form.happened_at() != time.happened_at:
        return TabletTime(time.device_at, time.sent_at, time.offset, False, form.happened_at())
    return time


def _client_id(request: StaffRequest) -> UUID:
    try:
        return UUID(request.POST.get("client_id", ""))
    except ValueError:
        raise _WrongForm("The entry carries no id of its own. Reload the page.") from None


def _valid(form: Any) -> None:
    if not form.is_valid():
        raise _WrongForm(_first(form))


def _first(form: Any) -> str:
    return " ".join(str(said) for messages in form.errors.values() for said in messages)


def _recorded(row: Row, record: StepRecord) -> dict[str, Any]:
    step = row.sheet_step.step
    return {
        "words": "left out" if record.skipped else said_value(step, record.value),
        "at": record.occurred_at.isoformat(),
        "uncertain": record.time_uncertain,
        "by": record.recorded_by.name if record.recorded_by else "",
    }


def _refused(
    said: str, row: Row | None, status: int, code: str = "", reasons: list[str] | None = None
) -> JsonResponse:
    standing = row.sheet_step.record if row else None
    content = {
        "said": said,
        "reasons": reasons or [],
        "code": code,
        "on_record": _recorded(row, standing) if row and standing else None,
    }
    return JsonResponse(content, status=status)
