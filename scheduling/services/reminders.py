"""Reminders follow their visits, in the transaction that books, moves or cancels them."""

from collections.abc import Iterable

from scheduling.models import Series, Visit
from scheduling.selectors.reminders import BEFORE_VISIT, about_visit, visit_messages
from studylab.outbox.models import Message
from studylab.outbox.services.queue import drop_rows, message_rows, queue_rows
from studylab.studies.selectors import CurrentProtocol, plan_of

MOVED = "The visit was moved or does not take place."


def reminders_follow(series: Series) -> None:
    """Drop the waiting reminders of a series that no longer hold and queue those that do."""
    plan = plan_of(series.protocol_version)
    if not plan.messages.before_visit_hours:
        return
    visits = list(Visit.objects.filter(series=series).select_related("participant__study"))
    wanted = [message for visit in visits for message in visit_messages(visit, plan)]
    drop_rows(
        series.participant.study, [about_visit(visit) for visit in visits], MOVED,
        kinds=(BEFORE_VISIT,), keep=[message.key for message in wanted],
    )  # fmt: skip
    queue_rows(wanted)


def first_reminders(visits: Iterable[Visit], current: CurrentProtocol) -> list[Message]:
    """Return the reminders of new visits, to be written with them: nothing can wait about them yet."""
    plan = current.plan
    if not plan.messages.before_visit_hours:
        return []
    return message_rows(
        [message for visit in visits for message in visit_messages(visit, plan)], current=current
    )
