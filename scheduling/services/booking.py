"""Booking a series: all visits and all places at once, or nothing."""

from collections.abc import Sequence
from datetime import datetime

from django.db import connection

from scheduling.models import Series, Visit
from scheduling.rules.gaps import gap_of
from scheduling.rules.search import SeriesOption
from scheduling.rules.spacing import planned_anchors
from scheduling.selectors.series import readiness
from scheduling.selectors.timelines import span
from scheduling.services.reminders import first_reminders
from scheduling.services.writing import bookings_of, check_free, holds_done, same_study
from screening.rules.medicines import Washout, minute
from screening.selectors import SignOffState, washouts_of
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.services import event_row
from studylab.db import Insert, insert_all, lock, service
from studylab.errors import Refused, RefusedWithReasons
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import CurrentProtocol, current_protocol


@service
def series_book(*, participant: Participant, option: SeriesOption, actor: Actor) -> Series:
    """Book every visit and every place of `option` for the volunteer.

    Refused while something is missing (sign-off, consent, an open hold); Conflict when a place, the person
    or the hours no longer allow the option.
    """
    require(actor, Cap.SERIES_BOOK)
    person = lock(Participant, "study", pk=participant.pk)
    same_study(actor, person)
    now, current = clock.now(), current_protocol(person.study)
    ready = readiness(person, now, current)
    if ready.obstacles:
        raise RefusedWithReasons("The series was not booked.", ready.obstacles, code="not_ready")
    check_free(
        plan=current.plan, option=option, participant=person, now=now, standing=ready.standing
    )
    check_sign_off_lasts(current.plan, option, ready.sign_off)
    check_medicines_out(current.plan, option, person)
    if ready.standing.options:
        holds_done(person)
    return write_series(participant=person, option=option, current=current, now=now, actor=actor)


def write_series(
    *,
    participant: Participant,
    option: SeriesOption,
    current: CurrentProtocol,
    now: datetime,
    actor: Actor,
) -> Series:
    """Write a series that was checked, with its visits, its places and its line on the trail.

    Runs inside a service that has locked the volunteer and ends what is held for them.
    """
    number, *visit_numbers = _ids(len(option.visits))
    series = Series(
        pk=number, participant=participant, protocol_version=current.version, booked_at=now,
        booked_by_id=actor.user_id,
    )  # fmt: skip
    visits = _visits(series, current.plan, option, visit_numbers)
    insert_all(
        Insert([series]),
        Insert(list(visits.values())),
        Insert(bookings_of(current.plan, option, visits)),
        Insert(first_reminders(visits.values(), current), ignore_conflicts=True),
        Insert([_booked(series, option, current.version, actor)]),
        settle=True,
    )
    return series


def check_sign_off_lasts(plan: Protocol, option: SeriesOption, state: SignOffState) -> None:
    """Refuse a series whose dose would come when the sign-off has run out."""
    anchors = planned_anchors(plan, {visit.number: visit.start for visit in option.visits})
    dose = anchors.get(f"{plan.dosing_visit.key}.dose")
    if dose is not None and state.sign_off is not None and dose >= state.sign_off.valid_until:
        raise Refused(
            "The sign-off ends before the dose would be given. Choose an earlier series, or have the "
            "physician sign anew.",
            code="sign_off_too_short",
        )


def check_medicines_out(plan: Protocol, option: SeriesOption, participant: Participant) -> None:
    """Refuse a series whose dose would come before the time that a medicine on record needs."""
    anchors = planned_anchors(plan, {visit.number: visit.start for visit in option.visits})
    dose = anchors.get(f"{plan.dosing_visit.key}.dose")
    waiting = washouts_of(participant, clock.now()) or ()
    if dose is not None and waiting and dose < waiting[0].earliest:
        raise Refused(
            f"The dose would be too early. {no_dose_before(waiting[0])} Choose a later series.",
            code="washout",
        )


def no_dose_before(washout: Washout) -> str:
    """Return the sentence on the first moment for the dose."""
    return f"No dose before {minute(washout.earliest)} {washout.earliest.tzname()}: {washout.why}."


def _visits(
    series: Series, plan: Protocol, option: SeriesOption, numbers: Sequence[int]
) -> dict[int, Visit]:
    """Return the visits in order, each with its window after the visit that its rule counts from."""
    visits: dict[int, Visit] = {}
    for number, row in zip(numbers, option.visits, strict=True):
        gap = gap_of(plan, row.number)
        visits[row.number] = Visit(
            pk=number,
            series=series,
            participant=series.participant,
            person_id=series.participant.person_id,
            number=row.number,
            planned=span(row.start, row.end),
            anchor=visits[gap.anchor] if gap else None,
            gap_earliest=gap.earliest if gap else None,
            gap_latest=gap.latest if gap else None,
        )
    return visits


def _ids(count: int) -> list[int]:
    """Take the next id of a series and of so many visits, so that rows that point at each other are written at once."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT nextval(pg_get_serial_sequence('scheduling_series', 'id')) UNION ALL
            SELECT nextval(pg_get_serial_sequence('scheduling_visit', 'id')) FROM generate_series(1, %s)
            """,
            [count],
        )
        return [number for (number,) in cursor.fetchall()]


def _booked(series: Series, option: SeriesOption, version: ProtocolVersion, actor: Actor) -> Event:
    return event_row(
        actor=actor,
        action=Action.SERIES_BOOKED,
        subject_type="series",
        subject_code=series.uid,
        participant_code=series.participant.code,
        data={"protocol_version": version.number, "visits": times_of(option)},
    )


def times_of(option: SeriesOption) -> list[dict[str, str | int]]:
    """Return the times of an option as plain JSON for the trail."""
    return [
        {"number": row.number, "start": _text(row.start), "end": _text(row.end)}
        for row in option.visits
    ]


def _text(at: datetime) -> str:
    return at.isoformat()
