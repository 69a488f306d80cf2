"""Recording talks about booked visits, and tries that reached nobody."""

from collections.abc import Collection
from datetime import datetime

from scheduling.models import Series, Talk, Visit
from scheduling.services.running import user_of
from scheduling.services.writing import same_study
from screening.services.notes import medicine_told
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant

LONGEST = 300


@service
def absent_talk(
    *, visit: Visit, reached: bool, note: str, medicine: str = "", actor: Actor
) -> Talk:
    """Record a try to reach somebody who did not come. "Not reached" never means that all is well."""
    require(actor, Cap.ABSENCE_RECORD)
    row = _locked(visit, actor)
    now = clock.now()
    if now < row.planned.lower:
        raise Refused("The visit has not begun yet, so nobody is missing.")
    return _write(row.series, row, Talk.Kind.ABSENT, reached, [row], note, medicine, now, actor)


@service
def confirm_talk(
    *, visit: Visit, reached: bool, note: str, medicine: str = "", actor: Actor
) -> Talk:
    """Record that a coming visit was confirmed, with the clock time said aloud, or that nobody was reached."""
    require(actor, Cap.ABSENCE_RECORD)
    row = _locked(visit, actor)
    now = clock.now()
    if row.state != Visit.State.BOOKED or row.planned.lower <= now:
        raise Conflict(f"Visit {row.number} is not to come any more.")
    return _write(row.series, row, Talk.Kind.CONFIRM, reached, [row], note, medicine, now, actor)


@service
def read_back_talk(
    *, series: Series, said: Collection[int], note: str, medicine: str = "", actor: Actor
) -> Talk:
    """Record that the booked times were read back by the volunteer; every visit to come must be among `said`."""
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, pk=series.participant_id)
    same_study(actor, person)
    current: Series = lock(Series, pk=series.pk)
    current.participant = person
    now = clock.now()
    rows = [
        row for row in current.visits.order_by("number") if row.state == Visit.State.BOOKED
    ]  # fmt: skip
    if current.state != Series.State.OPEN or not rows:
        raise Conflict("Nothing is booked any more that could be read back.")
    left = [str(row.number) for row in rows if row.number not in said]
    if left:
        raise Refused(
            f"Visit {' and '.join(left)} was not read back. Read the day and the time aloud and have them repeated.",
            field="said",
        )
    return _write(current, None, Talk.Kind.READ_BACK, True, rows, note, medicine, now, actor)


def _locked(visit: Visit, actor: Actor) -> Visit:
    person = lock(Participant, pk=visit.participant_id)
    same_study(actor, person)
    row: Visit = lock(Visit, pk=visit.pk)
    row.participant = person
    return row


def _write(
    series: Series,
    visit: Visit | None,
    kind: Talk.Kind,
    reached: bool,
    about: list[Visit],
    note: str,
    medicine: str,
    now: datetime,
    actor: Actor,
) -> Talk:
    if len(note) > LONGEST:
        raise Refused(f"At most {LONGEST} characters.", field="note")
    talk = Talk.objects.create(
        participant_id=series.participant_id, series=series, visit=visit, kind=kind, at=now,
        recorded_at=now, recorded_by_id=user_of(actor), reached=reached, note=note.strip(),
        about=[[row.number, row.planned.lower.isoformat()] for row in about],
    )  # fmt: skip
    audit(
        actor=actor, action=Action.TALK_RECORDED, subject_type="series", subject_code=series.uid,
        participant_code=series.participant.code,
        data={"kind": kind.value, "reached": reached, "visits": [row.number for row in about]},
    )  # fmt: skip
    medicine_told(
        participant=series.participant, medicine=medicine, reached=reached, at=now, actor=actor,
        where=f"Told at a talk ({talk.get_kind_display()}).",
    )  # fmt: skip
    return talk
