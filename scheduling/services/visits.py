"""Starting, finishing and stopping a visit."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from scheduling.models import Visit
from scheduling.rules.elapsed import local_day, say_day
from scheduling.rules.sheet import open_sentence, open_steps
from scheduling.rules.spacing import judge
from scheduling.selectors.evidence import actual_anchors, has_left
from scheduling.services.lateness import note_late_check
from scheduling.services.leave import handed_over
from scheduling.services.running import (
    complete_if_over,
    lock_visit,
    note_deviation,
    reason_of,
    require_running,
    user_of,
    visit_ended,
    work_on,
)
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.selectors import entry_of
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import current_protocol


@dataclass(frozen=True, slots=True)
class StartSpacing:
    """How the start of a visit meets its spacing: what it counts from, the window, what is wrong with it."""

    anchor_at: datetime | None
    earliest: timedelta | None
    latest: timedelta | None
    problem: str = ""


@service
def visit_start(*, visit: Visit, reason: str = "", actor: Actor) -> Visit:
    """Start a booked visit now.

    Outside the spacing of the protocol it starts with a deviation that the house records itself. What is
    unusual otherwise (another day than planned, an earlier visit that did not come to its end) needs a
    reason, which explains the deviation.
    """
    require(actor, Cap.VISIT_RUN)
    row = lock_visit(visit, actor)
    if row.state != Visit.State.BOOKED:
        raise Conflict(f"Visit {row.number} is {row.get_state_display()} already.")
    now, protocol = clock.now(), current_protocol(row.participant.study).plan
    _check_may_start(row, protocol)
    unusual = list(_unusual(row, now))
    if unusual and not reason.strip():
        raise RefusedWithReasons(
            "Give a reason to start this visit all the same.", unusual, code="start_unusual"
        )
    why = reason_of(reason, ask="Give a reason.") if unusual else ""
    spacing = start_spacing(row, protocol, now)
    row.anchor_at, row.rule_earliest, row.rule_latest = (
        spacing.anchor_at, spacing.earliest, spacing.latest,
    )  # fmt: skip
    row.state, row.started_at, row.started_by_id = Visit.State.RUNNING, now, user_of(actor)
    if spacing.problem:
        row.spacing_deviation = note_deviation(
            visit=row, kind=Deviation.Kind.SPACING, what=spacing.problem, at=now, actor=actor
        )
    row.save(
        update_fields=[
            "anchor_at", "rule_earliest", "rule_latest", "state", "started_at", "started_by",
            "spacing_deviation",
        ]
    )  # fmt: skip
    if unusual:
        note_deviation(
            visit=row, kind=Deviation.Kind.OTHER, what=" ".join(unusual), at=now, actor=actor,
            reason=why,
        )  # fmt: skip
    audit(
        actor=actor, action=Action.VISIT_STATE_CHANGED, subject_type="visit", subject_code=row.uid,
        participant_code=row.participant.code, reason=why,
        data={"number": row.number, "before": Visit.State.BOOKED, "after": Visit.State.RUNNING,
              "outside_spacing": bool(spacing.problem)},
    )  # fmt: skip
    return row


@service
def visit_finish(*, visit: Visit, actor: Actor) -> Visit:
    """Finish a visit whose required steps are all recorded or skipped; after the last one may come the end."""
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    require_running(work.visit)
    missing = [open_sentence(step, work.facts) for step in open_steps(work.plan, work.facts)]
    if missing:
        raise RefusedWithReasons("The visit cannot be finished yet.", missing, code="steps_open")
    if work.evidence.dose is not None:
        note_late_check(work, work.evidence.dose, actor)
    row = visit_ended(work, Visit.State.DONE, actor)
    complete_if_over(work.participant, actor)
    return row


@service
def visit_stop(
    *, visit: Visit, reason: str, handed_to: str = "", by_volunteer: bool = False, actor: Actor
) -> Visit:
    """Stop a visit before its end; what is left of it stays undone.

    After a dose nobody just goes: then `handed_to` says who took the volunteer over, for example a hospital,
    unless leaving is on record already. `by_volunteer` says that the volunteer wished to end it; who was handed over
    did not.
    """
    require(actor, Cap.VISIT_RUN)
    work = work_on(visit, actor)
    require_running(work.visit)
    why = reason_of(reason, ask="Say why the visit is stopped.")
    if work.evidence.dose is not None and not has_left(work.plan, work.evidence):
        handed_over(work=work, to=handed_to, reason=why, actor=actor)
    note_deviation(
        visit=work.visit, kind=Deviation.Kind.OTHER, at=work.now, actor=actor, reason=why,
        what=f"Visit {work.visit.number} was stopped before its end.",
    )  # fmt: skip
    if handed_to.strip() and by_volunteer:
        raise Refused(
            "Who is handed over is not stopping by wish. Take off the tick, or record leaving against advice.",
            field="by_volunteer",
        )
    return visit_ended(work, Visit.State.STOPPED, actor, reason=why, by_volunteer=by_volunteer)


def start_spacing(visit: Visit, protocol: Protocol, started_at: datetime) -> StartSpacing:
    """Judge a start by every rule that leads to it, counted from what really happened.

    What a rule counts from may never have happened: then it cannot be judged, which is a problem too.
    """
    plan = protocol.visit(visit.number)
    anchors = {**actual_anchors(visit, protocol), f"{plan.key}.start": started_at}
    results = [
        judge(rule, anchors) for rule in protocol.spacings if rule.end == f"{plan.key}.start"
    ]
    broken = [result for result in results if result.verdict != "kept"]
    if not results:
        return StartSpacing(None, None, None)
    rule = (broken or results)[0].rule
    problem = " ".join(result.message for result in broken)
    return StartSpacing(anchors.get(rule.start), rule.earliest, rule.latest, problem)


def _check_may_start(visit: Visit, protocol: Protocol) -> None:
    participant = visit.participant
    if not participant.is_active:
        raise Refused(
            f"{participant.code} is {participant.get_status_display()} and no longer takes part."
        )
    if participant.study.state in (Study.State.SETUP, Study.State.CLOSED):
        raise Refused(f"The study is {participant.study.get_state_display()}: no visit begins.")
    earlier = Visit.objects.filter(series_id=visit.series_id, number__lt=visit.number)
    first_open = earlier.filter(state__in=[Visit.State.BOOKED, Visit.State.RUNNING]).first()
    if first_open is not None:
        raise Refused(
            f"Visit {first_open.number} is {first_open.get_state_display()}: it comes first.",
            code="earlier_visit",
        )
    factors = {factor.key for factor in protocol.allocation.open_factors}
    needs = [step for step in protocol.visit(visit.number).steps if step.shows in factors]
    if needs and entry_of(participant) is None:
        raise Refused(
            "This visit needs the volunteer's allocation number, since it decides what is shown. "
            "The coordinator issues it first.",
            code="number_missing",
        )


def _unusual(visit: Visit, now: datetime) -> Iterator[str]:
    zone = visit.participant.study.timezone
    planned = visit.planned.lower
    if local_day(planned, zone) != local_day(now, zone):
        on = say_day(planned.astimezone(ZoneInfo(zone)))
        yield f"Visit {visit.number} is planned for {on}, not for today."
    earlier = Visit.objects.filter(series_id=visit.series_id, number__lt=visit.number)
    for row in earlier.exclude(state=Visit.State.DONE):
        yield f"Visit {row.number} was {row.get_state_display()}, not finished."
