"""Taking back the last change of a series, while nothing further happened."""

from scheduling.models import Series, SeriesChange, Visit
from scheduling.rules.gaps import part_of
from scheduling.rules.search import SeriesOption
from scheduling.selectors.changes import UNDO_FOR, booked_option, newest_change
from scheduling.selectors.repair_input import bookings_of
from scheduling.services.changes import restore
from scheduling.services.reminders import reminders_follow
from scheduling.services.writing import check_free, same_study, settle
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Participant
from studylab.studies.selectors import plan_of


@service
def change_undo(*, change: SeriesChange, actor: Actor) -> Series:
    """Put a series back as it was before a move, a cancellation or a missed visit.

    Only the last change, only within a quarter of an hour and while nothing further happened; Conflict when
    a place is taken by now. Who does not book takes back only what they did themselves.
    """
    require(actor, Cap.ABSENCE_RECORD)
    person = lock(Participant, pk=change.series.participant_id)
    same_study(actor, person)
    if not actor.may(Cap.SERIES_BOOK) and change.by_id != actor.user_id:
        raise NotAllowed("The coordinator, or whoever made this change, takes it back.")
    series: Series = lock(Series, pk=change.series_id)
    series.participant = person
    now = clock.now()
    newest = newest_change(series, now)
    if newest is None or newest.pk != change.pk or not person.is_active:
        minutes = int(UNDO_FOR.total_seconds() // 60)
        raise Conflict(
            f"This cannot be taken back any more: only the last change, within {minutes} minutes, and while "
            "nothing else happened. Move or book anew instead."
        )
    restore(series, change.before)
    reminders_follow(series)
    _check(series)
    settle()
    newest.undone_at, newest.undone_by_id = now, actor.user_id
    newest.save(update_fields=["undone_at", "undone_by"])
    audit(
        actor=actor, action=Action.CHANGE_UNDONE, subject_type="series", subject_code=series.uid,
        participant_code=person.code, data={"what": newest.kind, "made_at": newest.at.isoformat()},
    )  # fmt: skip
    return series


def _check(series: Series) -> None:
    """Have the independent checker look at what is booked again. Times that are past stay as they were."""
    plan, now = plan_of(series.protocol_version), clock.now()
    back = [
        row for row in series.visits.all()
        if row.state == Visit.State.BOOKED and row.planned.lower >= now
    ]  # fmt: skip
    if not back:
        return
    held = bookings_of(back)
    option = SeriesOption(tuple(booked_option(plan, row, held.get(row.pk, [])) for row in back), 0)
    check_free(
        plan=part_of(plan, [row.number for row in back]), option=option,
        participant=series.participant, now=now, ignoring=[row.pk for row in back],
    )  # fmt: skip
