"""Asking for a plan, stopping it, and deciding on what it proposes."""

from collections.abc import Collection
from contextlib import ExitStack
from datetime import date, timedelta
from uuid import UUID

from django.db import connection, transaction

from scheduling.models import PlanRow, PlanRun, Series, SeriesChange
from scheduling.services.booking import times_of, write_series
from scheduling.services.change import replan
from scheduling.services.changes import noted
from scheduling.services.plan_check import CHANGED, proposal_of, troubles, unchanged
from scheduling.services.writing import (
    HOLDING_LOCK,
    free_places,
    holds_done,
    settle,
    write_bookings,
)
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.celery import ring
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol

LONGEST = timedelta(days=84)
WHAT_IF = timedelta(
    days=14
)  # what would fit in longer stretches takes too long to settle for every change
SECONDS = (15, 30, 60, 120, 300)
MOVED = "Moved by an accepted plan."


class Outdated(RefusedWithReasons):
    """The world changed after a plan was made: who no longer fits, and why."""

    status = 409


@service
def plan_ask(
    *,
    study: Study,
    purpose: str,
    first_day: date,
    last_day: date,
    movable_from: date | None,
    seconds: int,
    actor: Actor,
) -> PlanRun:
    """Queue a plan over local days, both included; a worker makes it within `seconds`.

    With `movable_from`, booked series that begin then or later may be moved. Refused for days that are over
    or too many, Conflict while another plan of the study is being made.
    """
    require(actor, Cap.SERIES_BOOK)
    _own(study, actor)
    today = clock.now().astimezone(study.zone).date()
    if last_day < today:
        raise Refused("This day is over. Choose today or later.", field="last_day")
    if last_day < first_day:
        raise Refused("This is before the first day.", field="last_day")
    if last_day - first_day >= LONGEST:
        raise Refused(f"At most {LONGEST.days} days are planned at once.", field="last_day")
    if seconds not in SECONDS:
        raise Refused("Choose one of the times on offer.", field="seconds")
    assert actor.user_id is not None
    start = max(first_day, today)
    run = PlanRun.objects.create(
        study=study,
        protocol_version=current_protocol(study).version,
        purpose=purpose,
        first_day=start,
        last_day=min(last_day, start + WHAT_IF - timedelta(days=1))
        if purpose == PlanRun.Purpose.WHAT_IF
        else last_day,
        movable_from=movable_from,
        seconds=seconds,
        asked_at=clock.now(),
        asked_by_id=actor.user_id,
    )
    audit(
        actor=actor, action=Action.PLAN_ASKED, subject_type="plan", subject_code=run.uid,
        data={
            "purpose": purpose, "first_day": run.first_day.isoformat(),
            "last_day": run.last_day.isoformat(), "seconds": seconds,
            "movable_from": movable_from.isoformat() if movable_from else None,
        },
    )  # fmt: skip
    transaction.on_commit(lambda: knock(run.pk), robust=True)
    return run


def knock(run_id: int) -> None:
    """Ask a worker to look now. Whether anybody hears does not matter: a sweep finds what waits."""
    from scheduling.tasks import make_plan

    ring(make_plan, run_id)


@service
def plan_stop(*, run: PlanRun, actor: Actor) -> PlanRun:
    """Stop the making of a plan; the best found so far stays on offer."""
    require(actor, Cap.SERIES_BOOK)
    current: PlanRun = lock(PlanRun, pk=run.pk)
    _own(current.study, actor)
    if not current.is_open:
        raise Conflict(f"This plan is {current.get_state_display()} already.")
    now = clock.now()
    current.stop_at = now
    if current.state == PlanRun.State.WAITING:
        current.state, current.ended_at = PlanRun.State.STOPPED, now
    current.save(update_fields=["stop_at", "state", "ended_at"])
    audit(actor=actor, action=Action.PLAN_STOPPED, subject_type="plan", subject_code=current.uid)
    return current


@service
def plan_decide(*, run: PlanRun, chosen: Collection[UUID], actor: Actor) -> list[Series]:
    """Book and move what was chosen of a plan, all of it or nothing; the rest is left.

    Everything is checked afresh. Outdated names each volunteer that no longer fits, and why.
    """
    require(actor, Cap.SERIES_BOOK)
    current: PlanRun = lock(PlanRun, pk=run.pk)
    _own(current.study, actor)
    if current.is_open or current.decided_at is not None:
        raise Conflict("This plan has been decided on already, or is not ready yet.")
    rows = list(current.rows.select_related("series", "participant__study"))
    taken = [row for row in rows if row.uid in set(chosen)]
    if len(taken) < len(set(chosen)):
        raise Conflict("Something chosen does not belong to this plan. Look at it again.")
    written = _write(current, taken, actor) if taken else []
    for row in rows:
        row.state = PlanRow.State.ACCEPTED if row in taken else PlanRow.State.LEFT
        row.save(update_fields=["state"])
    current.decided_at, current.decided_by_id = clock.now(), actor.user_id
    current.save(update_fields=["decided_at", "decided_by"])
    audit(
        actor=actor, action=Action.PLAN_DECIDED, subject_type="plan", subject_code=current.uid,
        data={"accepted": [row.participant.code for row in taken], "of": len(rows)},
    )  # fmt: skip
    return written


def _write(run: PlanRun, rows: list[PlanRow], actor: Actor) -> list[Series]:
    """Lock everybody, look again, write. Moved series first give all their places back."""
    protocol = current_protocol(run.study)
    if protocol.version.pk != run.protocol_version_id:
        raise Conflict("The protocol changed after this plan was made. Ask for a new plan.")
    for row in sorted(rows, key=lambda row: row.participant_id):
        row.participant = lock(Participant, pk=row.participant_id)
    for row in sorted((r for r in rows if r.series_id), key=lambda row: row.series_id or 0):
        row.series = lock(Series, pk=row.series_id)
        row.series.participant = row.participant
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock_shared(%s)", [HOLDING_LOCK])
    _check(protocol, rows)
    moving = [row for row in rows if row.series is not None]
    with ExitStack() as kept:
        for row in moving:
            assert row.series is not None
            kept.enter_context(noted(row.series, SeriesChange.Kind.MOVED, MOVED, actor))
            free_places(row.series.visits.all())
        return [
            _write_one(protocol, row, actor)
            for row in (*moving, *(row for row in rows if row.series is None))
        ]


def _check(protocol: CurrentProtocol, rows: list[PlanRow]) -> None:
    proposals = [proposal_of(protocol.plan, row) for row in rows]
    found = dict(troubles(protocol.plan, proposals, clock.now()))
    for row in rows:
        if not unchanged(row):
            found[row.participant.code] = (CHANGED,)
    if found:
        raise Outdated(
            "Nothing was booked: the world changed after this plan was made.",
            [f"{code}: {' '.join(said)}" for code, said in sorted(found.items())],
            code="plan_outdated",
        )


def _write_one(protocol: CurrentProtocol, row: PlanRow, actor: Actor) -> Series:
    proposal = proposal_of(protocol.plan, row)
    if row.series is None:
        holds_done(row.participant)
        return write_series(
            participant=row.participant, option=proposal.option, current=protocol,
            now=clock.now(), actor=actor,
        )  # fmt: skip
    visits = list(row.series.visits.all())
    replan(protocol.plan, row.series, visits, proposal.option)
    write_bookings(protocol.plan, proposal.option, {visit.number: visit for visit in visits})
    settle()
    audit(
        actor=actor, action=Action.VISIT_MOVED, subject_type="series", subject_code=row.series.uid,
        participant_code=row.participant.code, reason=MOVED,
        data={"before": row.before, "visits": times_of(proposal.option), "plan": str(row.run.uid)},
    )  # fmt: skip
    return row.series


def _own(study: Study, actor: Actor) -> None:
    if not actor.is_system and actor.study_id != study.pk:
        raise NotAllowed("This plan is not in the study you are working in.")
