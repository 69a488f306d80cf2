"""What volunteers do about their own visits: confirm one, cancel one. Only their own, and only what is to come."""

from datetime import datetime

from scheduling.models import Series, SeriesChange, Visit, VisitConfirmation
from scheduling.rules.missed import rule_for
from scheduling.selectors.absent import was_dosed
from scheduling.services.change import cancel_booked, close, lock_series
from scheduling.services.changes import noted
from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict
from studylab.participants.services.checks import require_active
from studylab.participants.services.links import require_holder
from studylab.studies.selectors import plan_of

CANCELLED = "Cancelled by the volunteer on their own page."


@service
def visit_confirm_own(*, visit: Visit, start: datetime, actor: Actor) -> VisitConfirmation:
    """Note that the volunteer comes at `start`, the time that they were shown. Twice is once.

    Conflict when the visit is at another time by now.
    """
    row = lock_own(visit, actor)
    if row.planned.lower != start:
        raise Conflict("The time of this visit has changed.")
    made, new = VisitConfirmation.objects.get_or_create(
        visit=row, start=start, defaults={"participant": row.participant, "at": clock.now()}
    )
    if new:
        audit(
            actor=actor, action=Action.VISIT_CONFIRMED, subject_type="visit", subject_code=row.uid,
            participant_code=row.participant.code, data={"start": start.isoformat()},
        )  # fmt: skip
    return made


@service
def visit_cancel_own(*, visit: Visit, start: datetime, actor: Actor) -> Series:
    """Cancel one visit to come; what becomes of the series is the rule of the study document for a missed one.

    With "shift" the later visits give their places back too and the series waits for new times; otherwise it is closed.
    The coordinator finds it among what is to be settled, and the times among those that became free.
    """
    row = lock_own(visit, actor)
    if row.planned.lower != start:
        raise Conflict("The time of this visit has changed.")
    series = row.series
    rule = rule_for(plan_of(series.protocol_version), row.number, dosed=was_dosed(series))
    with noted(series, SeriesChange.Kind.CANCELLED, CANCELLED, actor):
        if rule == "shift":
            _cancel_from(series, row, actor)
        else:
            close(series, f"Visit {row.number}: {CANCELLED}", actor, ends_path=rule == "close")
    return series


def lock_own(visit: Visit, actor: Actor) -> Visit:
    """Return a visit of the volunteer's own, fresh and with its series locked; Conflict unless it is to come."""
    require_holder(actor, visit.participant)
    series = lock_series(visit.series, actor)
    require_active(series.participant)
    row = next(row for row in series.visits.all() if row.pk == visit.pk)
    if row.state != Visit.State.BOOKED or clock.now() >= row.planned.lower:
        raise Conflict(f"Visit {row.number} is {row.get_state_display()} and cannot be changed.")
    row.series, row.participant = series, series.participant
    return row


def _cancel_from(series: Series, row: Visit, actor: Actor) -> None:
    numbers = cancel_booked(series)
    audit(
        actor=actor, action=Action.VISIT_STATE_CHANGED, subject_type="visit", subject_code=row.uid,
        participant_code=series.participant.code, reason=CANCELLED,
        data={"number": row.number, "before": Visit.State.BOOKED, "after": Visit.State.CANCELLED,
              "cancelled_visits": numbers},
    )  # fmt: skip
