"""Acts that a tablet kept until it had network: each is taken once, and answered in words for the tablet's page."""

from typing import Any
from uuid import UUID

from django.http import Http404, JsonResponse
from django.views.decorators.http import require_POST

from scheduling.forms.acts import KeptActForm
from scheduling.models import StepRecord
from scheduling.rules.step_values import said_value
from scheduling.selectors.sheet import access_visit, sheet_of
from scheduling.views.act_taking import WrongForm, first_error, take_act
from scheduling.views.sheet_page import Row, row_of
from studylab import clock
from studylab.access import Cap, in_background, open_to_kept_away, requires
from studylab.errors import Refused, RefusedWithReasons, StudylabError
from studylab.http import StaffRequest
from studylab.participants.kept_away import check_not_away

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
        return _refused(first_error(kept), row, 422)
    if kept.cleaned_data["person"] != request.actor.user_id:
        return _refused(ANOTHER, row, 409, code="other_person")
    now = clock.now()
    time = kept.time(received_at=now, not_before=visit.started_at or now)
    try:
        record = take_act(
            what=kept.cleaned_data["act"], data=request.POST, actor=request.actor, visit=visit,
            row=row, time=time,
        )  # fmt: skip
    except WrongForm as problem:
        return _refused(problem.said, row, 422)
    except StudylabError as refusal:
        fresh = row_of(sheet_of(visit, clock.now()), step) or row
        reasons = refusal.reasons if isinstance(refusal, RefusedWithReasons) else ()
        return _refused(refusal.message, fresh, refusal.status, refusal.code, list(reasons))
    return JsonResponse({"recorded": _recorded(row, record)})


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
