"""When a message is tried first: at its due time, moved out of the addressee's quiet hours."""

from collections.abc import Sequence
from datetime import datetime

from studylab.outbox.kinds import Planned
from studylab.outbox.rules.quiet import QuietHours, send_at
from studylab.outbox.selectors.reach import zones_of
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol


def quiet_hours(study: Study, current: CurrentProtocol | None = None) -> QuietHours | None:
    """Return the study's quiet hours; None where its document has none."""
    plan = (current or current_protocol(study)).plan.messages
    if plan.quiet_from is None or plan.quiet_until is None:
        return None
    return QuietHours(plan.quiet_from, plan.quiet_until)


def first_tries(
    messages: Sequence[Planned], now: datetime, current: CurrentProtocol | None = None
) -> list[datetime]:
    """Return for each message when it is tried first; staff are told at any hour.

    Where no time outside the quiet hours is of use it keeps its due time: better at night than never. A telephone does
    not ring then (`way_of`). `current` is the protocol of now where all are of one study and the caller has it.
    """
    if not any(one.participant for one in messages):
        return [one.due_at for one in messages]
    zones = zones_of(one.participant for one in messages if one.participant is not None)
    studies = {one.study.pk: one.study for one in messages if one.study and one.participant}
    quiet = {key: quiet_hours(study, current) for key, study in studies.items()}
    tries = []
    for one in messages:
        hours = quiet.get(one.study.pk) if one.study and one.participant else None
        moved = None
        if hours is not None and one.participant is not None:
            moved = send_at(
                one.due_at, not_before=now, useful_until=one.useful_until, quiet=hours,
                zone=zones[one.participant.pk],
            )  # fmt: skip
        tries.append(moved or one.due_at)
    return tries
