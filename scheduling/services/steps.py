"""Recording, skipping and correcting the steps of a visit."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from scheduling.models import StepRecord, Visit
from scheduling.rules.sheet import carried_step, open_before, open_sentence, short
from scheduling.rules.step_values import clean_value
from scheduling.rules.tablet_time import TabletTime
from scheduling.rules.things import not_clean_sentence
from scheduling.rules.value_problem import ValueProblem
from scheduling.rules.work_up import changed_last, climbed, is_over
from scheduling.selectors.sheet import carried_values
from scheduling.selectors.things import thing_of
from scheduling.services.once import content_of, sent_before
from scheduling.services.running import (
    Work,
    check_blinded,
    check_instant,
    note_deviation,
    reason_of,
    require_running,
    work_on,
    write_record,
)
from studylab.access import Actor, Cap, require
from studylab.allocation.selectors.exposure import is_exposed
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation
from studylab.studies.rules.protocol import Step

NOT_NAIVE = "It is rated by somebody who has not seen what was measured after the dose."
# Nobody skips these: the visit is stopped instead, or the person leaves against advice.
NEVER_SKIPPED = frozenset({"identity", "dose", "leave"})


@service
def step_record(
    *,
    visit: Visit,
    step_key: str,
    value: Mapping[str, Any],
    occurred_at: datetime,
    client_id: UUID,
    device_at: datetime | None = None,
    tablet: TabletTime | None = None,
    deviation_reason: str = "",
    actor: Actor,
) -> StepRecord:
    """Record a step as done; the shape of `value` follows the step's kind.

    While an earlier required step is open it needs `deviation_reason` and becomes a deviation. The same
    `client_id` sent again returns what was recorded and writes nothing; Conflict when another person sends it, or
    with another value.
    """
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    content = content_of("record", value)
    sent = sent_before(client_id, work, step_key, content, actor)
    if sent is not None:
        return sent
    require_running(work.visit)
    check_blinded(work, actor)
    step = work.step(step_key)
    kept = _clean(step, value)
    check_instant(occurred_at, work)
    _check_timer(kept, work)
    _check_locked(step, kept, work)
    check_level_known(step, work)
    standing = work.evidence.records.get(step.key)
    going_on = standing is not None and goes_on(step, standing)
    if standing is not None and not standing.skipped and not going_on:
        raise Conflict(
            f"“{short(step)}” is recorded already. Correct that record if something in it is wrong."
        )
    if step.kind == "work_up":
        kept = _climb(step, standing, kept)
    return write_record(
        work=work, step=step, value=kept, occurred_at=occurred_at, client_id=client_id,
        content=content, device_at=device_at, tablet=tablet, actor=actor, supersedes=standing,
        goes_on=going_on,
        deviation=_unusual(step, kept, occurred_at, deviation_reason, work, actor),
        reason=_why_again(standing, going_on),
    )  # fmt: skip


@service
def step_skip(
    *,
    visit: Visit,
    step_key: str,
    reason: str,
    client_id: UUID | None = None,
    tablet: TabletTime | None = None,
    actor: Actor,
) -> StepRecord:
    """Leave a step out, with a reason; a required one becomes a deviation. Skipping twice writes once."""
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    content = content_of("skip", {"reason": reason.strip()})
    sent = sent_before(client_id, work, step_key, content, actor) if client_id else None
    if sent is not None:
        return sent
    at = tablet.happened_at if tablet else work.now
    require_running(work.visit)
    check_instant(at, work)
    check_blinded(work, actor)
    step = work.step(step_key)
    if step.kind in NEVER_SKIPPED:
        raise Refused(
            "This step cannot be skipped. Stop the visit, or record leaving against advice."
        )
    standing = work.evidence.records.get(step.key)
    if standing is not None and standing.skipped:
        return standing
    begun = standing is not None and goes_on(step, standing)
    if work.facts[step.key].done or (standing is not None and not begun):
        raise Conflict(f"“{short(step)}” is recorded already, so it is not skipped.")
    why = reason_of(reason, ask="Say why the step is skipped.")
    deviation = None
    if step.required:
        deviation = note_deviation(
            visit=work.visit, kind=Deviation.Kind.STEP, what=f"Skipped: “{short(step)}”.",
            subject=f"step {step.key}", at=at, actor=actor, reason=why,
        )  # fmt: skip
    return write_record(
        work=work, step=step, value={}, occurred_at=at, actor=actor, skipped=True,
        deviation=deviation, supersedes=standing, reason=why, client_id=client_id, content=content,
        tablet=tablet,
    )  # fmt: skip


@service
def step_correct(
    *,
    record: StepRecord,
    value: Mapping[str, Any],
    occurred_at: datetime,
    reason: str,
    client_id: UUID | None = None,
    tablet: TabletTime | None = None,
    actor: Actor,
) -> StepRecord:
    """Correct a record by a new one; the old one stays. Also after the visit has ended.

    A value that a later visit was run with cannot be corrected unnoticed: that is a deviation.
    """
    require(actor, Cap.VISIT_RUN)
    work = work_on(record.visit, actor)
    content = content_of("correct", value)
    sent = sent_before(client_id, work, record.step, content, actor) if client_id else None
    if sent is not None:
        return sent
    check_blinded(work, actor)
    step = work.step(record.step)
    why = reason_of(reason, ask="Say why the step is corrected.")
    standing = work.evidence.records.get(step.key)
    if standing is None or standing.pk != record.pk:
        raise Conflict("This record was corrected meanwhile. Look at the newest one.")
    kept = _clean(step, value)
    if step.kind == "work_up":
        kept = _judged(lambda: changed_last(step, standing.value, kept))
    check_instant(occurred_at, work)
    _check_timer(kept, work)
    deviation = standing.deviation
    if step.carry and _used_later(work):
        deviation = note_deviation(
            visit=work.visit, kind=Deviation.Kind.STEP, at=work.now, actor=actor, reason=why,
            subject=f"step {step.key}",
            what=f"“{short(step)}” was corrected after a later visit had begun with the old value.",
        )  # fmt: skip
    return write_record(
        work=work, step=step, value=kept, occurred_at=occurred_at, actor=actor,
        supersedes=standing, deviation=deviation, reason=why, client_id=client_id, content=content,
        tablet=tablet,
    )  # fmt: skip


def goes_on(step: Step, standing: StepRecord) -> bool:
    """Whether a step is recorded bit by bit and its end is still to come."""
    return step.kind == "work_up" and not standing.skipped and not is_over(standing.value)


def _climb(step: Step, standing: StepRecord | None, entered: dict[str, Any]) -> dict[str, Any]:
    before = standing.value if standing is not None and not standing.skipped else None
    if before is not None and entered["rung"] <= len(before["levels"]):
        raise Conflict("Somebody else recorded this level already. Look at the run sheet.")
    return _judged(lambda: climbed(step, before, entered))


def _why_again(standing: StepRecord | None, going_on: bool) -> str:
    if standing is None:
        return ""
    return "The next level." if going_on else "Done after it had been skipped."


def _clean(step: Step, value: Mapping[str, Any]) -> dict[str, Any]:
    return _judged(lambda: clean_value(step, value))


def _judged(judge: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    try:
        return judge()
    except ValueProblem as problem:
        raise Refused(problem.message, field=problem.field) from None


def _check_timer(kept: dict[str, Any], work: Work) -> None:
    if "started_at" in kept:
        check_instant(datetime.fromisoformat(kept["started_at"]), work, field="started_at")


def _check_locked(step: Step, kept: dict[str, Any], work: Work) -> None:
    """Refuse another value than the one that an earlier visit found and kept."""
    if not step.carry:
        return
    found = carried_values(work.participant, work.protocol).get(step.key)
    if found is None or found.visit_number >= work.visit.number or found.record.value == kept:
        return
    raise Refused(
        f"Visit {found.visit_number} found {found.words}, which is kept for the whole series.",
        field="value",
        code="carried_locked",
    )


def check_level_known(step: Step, work: Work) -> None:
    """Refuse a step that needs a level which the work-up did not find."""
    found = carried_step(work.protocol, step.shows) if step.shows else None
    if found is None or found[1].kind != "work_up":
        return
    if step.shows not in carried_values(work.participant, work.protocol):
        raise Refused(
            f"“{short(found[1])}” found no level, and this step is not done without one. Stop the visit, or leave the "
            "step out with a reason.",
            code="level_missing",
        )


def _used_later(work: Work) -> bool:
    return Visit.objects.filter(
        series_id=work.visit.series_id, number__gt=work.visit.number, started_at__isnull=False
    ).exists()


def _unusual(
    step: Step, kept: dict[str, Any], occurred_at: datetime, reason: str, work: Work, actor: Actor
) -> Deviation | None:
    """Write what is unusual about doing this step now as a deviation; refused while no reason is given."""
    waiting = [
        open_sentence(one, work.facts) for one in open_before(work.plan, step.key, work.facts)
    ]
    exposed = [NOT_NAIVE] if step.rater and is_exposed(work.participant, actor.user_id) else []
    unclean = _unclean(step, kept, occurred_at, work)
    sentences = [*waiting, *exposed, *unclean]
    if not sentences:
        return None
    if not reason.strip():
        if sentences == unclean:
            said = f"{unclean[0]} If it must be used, say why."
            raise Refused(said, field="value", code="not_clean")
        raise RefusedWithReasons(
            "Something comes before this step. Record it, or say why it is done in another order."
            if waiting
            else "Somebody else records this step, or say why you do.",
            sentences,
            code="out_of_order" if waiting else "not_naive",
        )
    why = reason_of(reason, ask="Say why.", field="deviation_reason")
    return note_deviation(
        visit=work.visit, kind=Deviation.Kind.STEP, subject=f"step {step.key}", at=occurred_at,
        what=f"“{short(step)}” was not done as planned. {' '.join(sentences)}", actor=actor,
        reason=why,
    )  # fmt: skip


def _unclean(step: Step, kept: dict[str, Any], at: datetime, work: Work) -> list[str]:
    """Say why the thing whose label was read is not clean; nothing when it is."""
    if step.kind != "label" or not step.of:
        return []
    thing = thing_of(step, kept["value"], work.visit, work.protocol, at)
    if thing.state == "clean":
        return []
    until = thing.until.astimezone(work.participant.study.zone) if thing.until else None
    return [not_clean_sentence(thing, f"{until:%H:%M}" if until else "")]
