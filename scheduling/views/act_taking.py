"""What a tablet kept of one step becomes its record: recorded, left out, or put in the place of what stands.

The same for an act that the tablet sends itself and for one that came in a file.
"""

from typing import Any
from uuid import UUID

from django.http import QueryDict

from scheduling.forms.steps import SkipForm, StepForm
from scheduling.models import StepRecord, Visit
from scheduling.rules.step_values import ELSEWHERE
from scheduling.rules.tablet_time import TabletTime
from scheduling.services.steps import step_correct, step_record, step_skip
from scheduling.views.sheet_page import Row, may_not_rate
from studylab.access import Actor

NEEDS_SERVER = "This step is done with the server, on its own page. Nothing was recorded."


def take_act(
    *, what: str, data: QueryDict, actor: Actor, visit: Visit, row: Row, time: TabletTime
) -> StepRecord:
    """Write one kept act; `what` is "record", "skip" or "correct", `data` its fields as the page names them.

    WrongForm for what cannot be read; what the services refuse passes through.
    """
    if row.sheet_step.step.kind in ELSEWHERE:
        raise WrongForm(NEEDS_SERVER)
    return {"record": _record, "skip": _skip, "correct": _correct}[what](
        data, actor, visit, row, time
    )


class WrongForm(Exception):
    """What was kept cannot be read; `said` is a sentence."""

    def __init__(self, said: str) -> None:
        self.said = said


def _record(data: QueryDict, actor: Actor, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    step = row.sheet_step.step
    form = StepForm(
        data, step=step, so_far=row.sheet_step.record, at=time.happened_at,
        out_of_order=bool(data.get("deviation_reason")) or may_not_rate(step, visit, actor),
    )  # fmt: skip
    _valid(form)
    return step_record(
        visit=visit, step_key=step.key, value=form.kept, occurred_at=form.happened_at(),
        client_id=form.client_id_value, tablet=_as_entered(form, time),
        deviation_reason=form.cleaned_data.get("deviation_reason", ""), actor=actor,
    )  # fmt: skip


def _skip(data: QueryDict, actor: Actor, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    form = SkipForm(data)
    _valid(form)
    return step_skip(
        visit=visit, step_key=row.sheet_step.step.key, reason=form.cleaned_data["reason"],
        client_id=_client_id(data), tablet=time, actor=actor,
    )  # fmt: skip


def _correct(data: QueryDict, actor: Actor, visit: Visit, row: Row, time: TabletTime) -> StepRecord:
    """Put what was entered here in the place of what the server has, with a reason."""
    standing = row.sheet_step.record
    if standing is None:
        raise WrongForm("Nothing is recorded at this step that could be corrected. Send it again.")
    data = data.copy()
    if not data.get("occurred_at"):
        data["occurred_at"] = time.happened_at.isoformat()
    form = StepForm(data, step=row.sheet_step.step, record=standing, at=time.happened_at)
    _valid(form)
    return step_correct(
        record=standing, value=form.kept, occurred_at=form.happened_at(),
        reason=form.cleaned_data["reason"], client_id=form.client_id_value,
        tablet=_as_entered(form, time), actor=actor,
    )  # fmt: skip


def _as_entered(form: StepForm, time: TabletTime) -> TabletTime:
    """A time that a person typed is theirs: what the tablet's clock says of it does not make it uncertain."""
    if form.data.get("occurred_at") and form.happened_at() != time.happened_at:
        return TabletTime(time.device_at, time.sent_at, time.offset, False, form.happened_at())
    return time


def _client_id(data: QueryDict) -> UUID:
    try:
        return UUID(data.get("client_id", ""))
    except ValueError:
        raise WrongForm("The entry carries no id of its own. Reload the page.") from None


def _valid(form: Any) -> None:
    if not form.is_valid():
        raise WrongForm(first_error(form))


def first_error(form: Any) -> str:
    return " ".join(str(said) for messages in form.errors.values() for said in messages)
