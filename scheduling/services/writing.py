"""Steps that booking and moving share. Called inside a service's transaction, never alone."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import connection

from scheduling.models import Booking, HeldPlace, OptionHold, Visit
from scheduling.rules.elapsed import say_day
from scheduling.rules.gaps import overlap, uses
from scheduling.rules.search import SeriesOption
from scheduling.rules.search_check import verify_option
from scheduling.rules.timeline import PlaceIntervals
from scheduling.selectors.person_time import person_busy
from scheduling.selectors.series import Standing
from scheduling.selectors.timelines import Occupancy, free_of, occupancy, span
from screening.selectors.staff_ties import kept_away
from studylab.access import Actor
from studylab.db import SETTLE, insert_many
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Participant
from studylab.studies.rules.protocol import Protocol

MARGIN = timedelta(days=1)
# Bookings take it shared, holding an option takes it alone: neither misses what the other is about to write.
HOLDING_LOCK = 7_301_996


def same_study(actor: Actor, participant: Participant) -> None:
    """Refuse to write into another study than the one the actor acts in."""
    if not actor.is_system and actor.study_id != participant.study_id:
        raise NotAllowed("This volunteer is not in the study you are working in.")


def check_free(
    *,
    plan: Protocol,
    option: SeriesOption,
    participant: Participant,
    now: datetime,
    ignoring: Collection[int] = (),
    standing: Standing | None = None,
) -> None:
    """Raise Conflict naming what stands in the way unless every place, the person and the rules allow it.

    Reads openings, closures, bookings and what is held for others afresh, and judges by the checker that
    shares nothing with the search. The database still has the last word. `standing`, read since the volunteer was
    locked, spares reading what is not there.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock_shared(%s)", [HOLDING_LOCK])
    start, end = _around(option, now)
    used = {ref.place_id for visit in option.visits for row in visit.segments for ref in row.places}
    away = kept_away(participant) if standing is None or standing.decided else ()
    places = occupancy(
        start, end, ignoring=ignoring, at=now, held_for=[participant.pk],
        without_users=away, only=[place for place in used if isinstance(place, int)],
    )  # fmt: skip
    busy = person_busy(
        participant.person_id, start, end, ignoring=ignoring,
        acquainted=standing is None or standing.acquainted,
    )  # fmt: skip
    problems = verify_option(
        plan=plan, option=option, places=places.places, person_free=free_of(busy, start, end),
        not_before=now,
    )  # fmt: skip
    if problems:
        named = list(_named(plan, option, places, participant, busy)) or list(problems)
        raise Conflict(
            f"This cannot be booked any more. {' '.join(named)} Choose again from the fresh times.",
            code="option_taken",
        )


def _around(option: SeriesOption, now: datetime) -> tuple[datetime, datetime]:
    """Return the time of an option with a day before and after it; Conflict when it has begun."""
    first = min(visit.start for visit in option.visits)
    if first < now:
        raise Conflict("This time is past already. Choose a later one.", code="option_past")
    return first - MARGIN, max(visit.end for visit in option.visits) + MARGIN


def _named(
    plan: Protocol,
    option: SeriesOption,
    places: Occupancy,
    participant: Participant,
    busy: Sequence[tuple[datetime, datetime]],
) -> Iterable[str]:
    """Say by name and local time what is in the way."""
    zone = participant.study.timezone
    known = {row.place_id: row for rows in places.places.values() for row in rows}
    for visit in option.visits:
        said = f"Visit {visit.number} on {say_day(_local(visit.start, zone))}"
        if any(overlap((visit.start, visit.end), taken) for taken in busy):
            yield f"{said}: the volunteer, or somebody they are kept apart from, is in another visit at that time."
        for use in uses(visit, plan.turnaround):
            why = _in_the_way(known.get(use.ref.place_id), use.start, use.blocked_until)
            if why:
                at = f"{_local(use.start, zone):%H:%M}"
                yield f"{said}: {places.name(use.ref.place_id)} is {why} from {at} on."


def _local(at: datetime, zone: str) -> datetime:
    return at.astimezone(ZoneInfo(zone))


def _in_the_way(place: PlaceIntervals | None, start: datetime, end: datetime) -> str:
    if place is None:
        return "out of use"
    if any(overlap((start, end), taken) for taken in place.busy):
        return "taken"
    if not any(opens <= start and end <= closes for opens, closes in place.open):
        return "closed for part of the time"
    return ""


def write_bookings(plan: Protocol, option: SeriesOption, visits: Mapping[int, Visit]) -> None:
    """Write the places of an option."""
    insert_many(bookings_of(plan, option, visits))


def bookings_of(plan: Protocol, option: SeriesOption, visits: Mapping[int, Visit]) -> list[Booking]:
    """Return the places of an option, in the order of the places, so that two writers cannot wait in a circle."""
    rows = [
        Booking(
            visit=visits[visit.number],
            place_id=use.ref.place_id,
            segments=list(use.segments),
            during=span(use.start, use.end),
            blocked=span(use.start, use.blocked_until),
        )
        for visit in option.visits
        for use in uses(visit, plan.turnaround)
    ]
    return sorted(rows, key=lambda row: (row.place_id, row.during.lower))


def free_places(visits: Iterable[Visit]) -> None:
    """Give back every place of these visits; the rows stay as history."""
    ids = [visit.pk for visit in visits]
    Booking.objects.filter(visit_id__in=ids, is_active=True).update(is_active=False)


def settle() -> None:
    """Have the database judge now what it would judge at the end of the transaction.

    A breach of the spacing then reaches the person as its sentence instead of breaking the commit.
    """
    with connection.cursor() as cursor:
        cursor.execute("; ".join(SETTLE))


def holds_done(participant: Participant) -> None:
    """End what was held for somebody whose series is booked now."""
    end_holds(
        OptionHold.objects.filter(is_active=True, participant=participant).values_list(
            "pk", flat=True
        )
    )


def end_holds(ids: Iterable[int]) -> None:
    """Give back the places of held options."""
    chosen = list(ids)
    HeldPlace.objects.filter(hold_id__in=chosen, is_active=True).update(is_active=False)
    OptionHold.objects.filter(pk__in=chosen).update(is_active=False)
