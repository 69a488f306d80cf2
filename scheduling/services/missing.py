"""Late and missing volunteers: what the study's rule makes of the series."""

from scheduling.models import SeriesChange, Visit
from scheduling.rules.missed import rule_for
from scheduling.rules.search import SeriesOption
from scheduling.selectors.absent import was_dosed
from scheduling.services.change import (
    JUST_NOW,
    cancel_booked,
    check_looked_for,
    close,
    given,
    lock_series,
    move,
)
from scheduling.services.changes import noted
from scheduling.services.writing import free_places
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.studies.selectors import plan_of


@service
def visit_missed(*, visit: Visit, reason: str, actor: Actor) -> Visit:
    """Record that the volunteer did not come; what becomes of the series is the rule of the study document.

    "shift" leaves the series open and gives the later visits' places back until the missed one has a new
    time; "restart" and "close" cancel what is left. After the dose nothing begins again, and nobody is
    recorded as missing before somebody tried to reach them.
    """
    require(actor, Cap.ABSENCE_RECORD)
    series = lock_series(visit.series, actor)
    row = next(row for row in series.visits.all() if row.pk == visit.pk)
    if row.state != Visit.State.BOOKED:
        raise Conflict(f"Visit {row.number} is {row.get_state_display()} already.")
    now, why = clock.now(), given(reason)
    if now < row.planned.lower:
        raise Refused("The visit has not begun yet, so it cannot be missed: move or cancel it.")
    check_looked_for(series, now)
    rule = rule_for(plan_of(series.protocol_version), row.number, dosed=was_dosed(series))
    with noted(series, SeriesChange.Kind.MISSED, why, actor):
        _missed(row, why, actor)
        if rule == "shift":
            cancel_booked(series)
        else:
            said = f"Visit {row.number} was missed. {why}"[:300]
            close(series, said, actor, ends_path=rule == "close")
    return row


@service
def visit_late(*, visit: Visit, option: SeriesOption, actor: Actor) -> Visit:
    """Move a visit to which somebody came late to now, with the later ones where `option` holds them.

    Conflict when the option's moment has passed or a place is taken by now, Refused outside the spacing.
    """
    require(actor, Cap.ABSENCE_RECORD)
    now, start = clock.now(), option.visits[0].start
    if visit.state != Visit.State.BOOKED or now < visit.planned.lower:
        raise Conflict(f"Visit {visit.number} is not one that somebody can be late for now.")
    if abs(start - now) > JUST_NOW:
        raise Conflict("This moment has passed. Choose again from the fresh times.")
    return move(visit, option, "Came late.", actor)


def _missed(row: Visit, reason: str, actor: Actor) -> None:
    row.state = Visit.State.MISSED
    row.save(update_fields=["state"])
    free_places([row])
    audit(
        actor=actor, action=Action.VISIT_STATE_CHANGED, subject_type="visit", subject_code=row.uid,
        participant_code=row.participant.code, reason=reason,
        data={"number": row.number, "before": Visit.State.BOOKED, "after": Visit.State.MISSED},
    )  # fmt: skip
