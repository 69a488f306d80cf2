"""The database refuses by itself what the services would never write: plain SQL, no model in between."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.utils.dateparse import parse_duration

from scheduling.models import Booking, Visit
from scheduling.services.booking import series_book
from studylab import clock
from studylab.access import Actor, Role
from studylab.errors import Conflict
from studylab.participants.models import Deviation, Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WEEK = the_lab.wishes("2026-11-24", "2026-11-30")


@pytest.fixture
def visits(volunteer: Participant, booker: Actor) -> list[Visit]:
    option = the_lab.find(volunteer, WEEK)[0]
    series = series_book(participant=volunteer, option=option, actor=booker)
    return list(series.visits.order_by("number"))


def run(sql: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


def attempt(sql: str, *values: Any) -> None:
    with transaction.atomic():
        run(sql, *values)
        run("SET CONSTRAINTS ALL IMMEDIATE")


def refused(sql: str, *values: Any, name: str) -> None:
    """The statement is refused by the named constraint or trigger, at once or at the end."""
    with pytest.raises(IntegrityError) as problem:
        attempt(sql, *values)
    assert problem.value.__cause__.diag.constraint_name == name  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("low", "high", "bounds"),
    [
        ("2026-12-01 10:00Z", "2026-12-01 10:00Z", "[)"),  # empty
        (None, "2026-12-01 10:00Z", "[)"),
        ("2026-12-01 10:00Z", None, "[)"),
        ("2026-12-01 10:00Z", "infinity", "[)"),
        ("-infinity", "2026-12-01 10:00Z", "[)"),
        ("2026-12-01 10:00Z", "2026-12-01 11:00Z", "[]"),  # back-to-back visits would collide
        ("2026-12-01 10:00Z", "2026-12-01 11:00Z", "(]"),
    ],
)
@pytest.mark.parametrize(
    ("table", "column", "name"),
    [
        ("scheduling_visit", "planned", "visit_planned_bounded"),
        ("scheduling_booking", "during", "booking_during_bounded"),
        ("scheduling_booking", "blocked", "booking_blocked_bounded"),
    ],
)
def test_ranges_are_whole(
    visits: list[Visit], table: str, column: str, name: str, low: Any, high: Any, bounds: str
) -> None:
    with pytest.raises(IntegrityError) as problem, transaction.atomic():
        run(f"UPDATE {table} SET {column} = tstzrange(%s, %s, %s)", low, high, bounds)
    names = {name, "booking_blocks_its_time"}
    assert problem.value.__cause__.diag.constraint_name in names  # type: ignore[union-attr]


def test_a_closure_is_bounded(lab: None) -> None:
    refused(
        "INSERT INTO scheduling_closure (during, reason) VALUES (tstzrange(now(), NULL), 'x')",
        name="closure_bounded",
    )


def test_one_place_serves_one_visit(visits: list[Visit]) -> None:
    """The same place at the same time, and one minute into the turnaround."""
    booked = Booking.objects.filter(place__resource__kind="lab room", visit=visits[0]).get()
    copy = (
        "INSERT INTO scheduling_booking (visit_id, place_id, segments, during, blocked, is_active) "
        "SELECT visit_id, place_id, segments, tstzrange(%s, %s), tstzrange(%s, %s), true "
        "FROM scheduling_booking WHERE id = %s"
    )
    end, held = booked.during.upper, booked.blocked.upper
    assert held - end == timedelta(minutes=15)
    for start in (booked.during.lower, end, held - timedelta(minutes=1)):
        stop = start + timedelta(minutes=65)
        refused(copy, start, stop, start, stop, booked.pk, name="booking_place_free")
    run(copy, held, held + timedelta(minutes=65), held, held + timedelta(minutes=80), booked.pk)


def test_what_is_blocked_holds_what_is_used(visits: list[Visit]) -> None:
    refused(
        "UPDATE scheduling_booking SET blocked = tstzrange(lower(during), upper(during) - interval '1 min')",
        name="booking_blocks_its_time",
    )


def test_a_person_is_in_one_visit_at_a_time_over_two_studies(
    volunteer: Participant, visits: list[Visit]
) -> None:
    """The same person, another study, a visit that overlaps by one minute."""
    study, people = the_lab.other_study()
    twin = the_lab.ready_volunteer(study, people[Role.CLINICIAN], 1, person=volunteer.person)
    run(
        "INSERT INTO scheduling_series (uid, participant_id, protocol_version_id, state, booked_at, end_reason)"
        " SELECT gen_random_uuid(), %s, protocol_version_id, 'open', now(), '' FROM scheduling_series",
        twin.pk,
    )
    add = (
        "INSERT INTO scheduling_visit (uid, series_id, participant_id, person_id, number, planned, state) "
        "SELECT gen_random_uuid(), id, %s, %s, 1, tstzrange(%s, %s), 'booked' "
        "FROM scheduling_series WHERE participant_id = %s"
    )
    end = visits[0].planned.upper
    early = end - timedelta(minutes=1)
    refused(
        add, twin.pk, volunteer.person_id, early, early + timedelta(hours=1), twin.pk,
        name="visit_person_free",
    )  # fmt: skip
    run(add, twin.pk, volunteer.person_id, end, end + timedelta(hours=1), twin.pk)


def test_a_person_is_in_a_study_once(volunteer: Participant) -> None:
    refused(
        "INSERT INTO participants_participant (study_id, person_id, code, serial, status, status_reason, "
        "status_at, heard_from, language, added_at) SELECT study_id, person_id, 'SL-9999-X', 9999, status, "
        "status_reason, status_at, heard_from, language, added_at FROM participants_participant",
        name="participant_person_once",
    )


def test_one_series_per_person(visits: list[Visit]) -> None:
    refused(
        "INSERT INTO scheduling_series (uid, participant_id, protocol_version_id, state, booked_at, end_reason)"
        " SELECT gen_random_uuid(), participant_id, protocol_version_id, 'open', booked_at, ''"
        " FROM scheduling_series",
        name="series_one_per_person",
    )


MOVE = "UPDATE scheduling_visit SET planned = tstzrange(lower(planned) + %s, upper(planned) + %s) WHERE id = %s"


@pytest.mark.parametrize(("number", "low", "high"), [(2, "22:00", "26:00"), (3, "20:50", "28:50")])
def test_planned_spacing_edges(visits: list[Visit], number: int, low: str, high: str) -> None:
    """Both edges of the window are allowed, a minute outside is not; judged at the end of the transaction."""
    visit, anchor = visits[number - 1], visits[number - 2]
    if number == 2:  # visit 3 counts from visit 2: take it out of the way
        run("UPDATE scheduling_visit SET state = 'cancelled' WHERE id = %s", visits[2].pk)
    minute = timedelta(minutes=1)
    now = visit.planned.lower - anchor.planned.lower
    for edge, outside in ((low, -minute), (high, minute)):
        by = _hours(edge) - now
        refused(MOVE, by + outside, by + outside, visit.pk, name="SL001_spacing_planned")
        with transaction.atomic():
            run(MOVE, by, by, visit.pk)
            run("SET CONSTRAINTS ALL IMMEDIATE")
            run(MOVE, -by, -by, visit.pk)
            run("SET CONSTRAINTS ALL DEFERRED")


def test_the_window_is_judged_from_both_sides(visits: list[Visit]) -> None:
    """Moving the visit that another one counts from is as much a breach as moving the other."""
    refused(MOVE, "5 hours", "5 hours", visits[0].pk, name="SL001_spacing_planned")


def test_a_whole_series_may_move_in_one_transaction(visits: list[Visit]) -> None:
    with transaction.atomic():
        for visit in reversed(visits):
            run(MOVE, "7 days", "7 days", visit.pk)
        run("SET CONSTRAINTS ALL IMMEDIATE")
        run("SET CONSTRAINTS ALL DEFERRED")


def test_outside_the_window_only_with_a_deviation(
    visits: list[Visit], volunteer: Participant
) -> None:
    noted = Deviation.objects.create(
        study=volunteer.study, participant=volunteer, kind="spacing", what="Came five hours late",
        occurred_at=clock.now(), recorded_at=clock.now(),
    )  # fmt: skip
    with transaction.atomic():
        run(
            "UPDATE scheduling_visit SET spacing_deviation_id = %s WHERE id = %s",
            noted.pk,
            visits[2].pk,
        )
        run(MOVE, "5 hours", "5 hours", visits[2].pk)
        run("SET CONSTRAINTS ALL IMMEDIATE")
        run("SET CONSTRAINTS ALL DEFERRED")


def test_an_anchor_needs_its_window(visits: list[Visit]) -> None:
    refused(
        "UPDATE scheduling_visit SET gap_latest = NULL WHERE number = 2",
        name="visit_anchor_has_window",
    )


def test_the_real_start_keeps_its_window_too(visits: list[Visit]) -> None:
    """Started 29 hours after the anchor where 28 is the latest."""
    start = datetime(2026, 11, 25, 12, tzinfo=UTC)
    say = (
        "UPDATE scheduling_visit SET state = 'running', anchor_at = %s, started_at = %s, "
        "rule_earliest = '20 hours', rule_latest = '28 hours' WHERE id = %s"
    )
    late = start + timedelta(hours=28, seconds=1)
    refused(say, start, late, visits[2].pk, name="visit_spacing_kept")
    run(say, start, start + timedelta(hours=28), visits[2].pk)


@pytest.mark.parametrize(
    "table", ["scheduling_series", "scheduling_visit", "scheduling_booking", "scheduling_resource"]
)
def test_rows_never_go(visits: list[Visit], table: str) -> None:
    for sql in (f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE"):
        words = "Cannot delete rows|the table cannot be emptied"
        with pytest.raises(DatabaseError, match=words), transaction.atomic():
            run(sql)


def test_a_cancelled_series_has_a_reason(visits: list[Visit]) -> None:
    refused("UPDATE scheduling_series SET state = 'cancelled'", name="series_cancel_has_reason")


def test_nothing_is_booked_before_consent(study: Any, lab: None, visits: list[Visit]) -> None:
    bare = the_lab.make_participant(study, 7)
    early = clock.now() - timedelta(hours=2)  # consent was signed an hour ago
    refused(
        "INSERT INTO scheduling_series (uid, participant_id, protocol_version_id, state, booked_at, end_reason)"
        " SELECT gen_random_uuid(), %s, protocol_version_id, 'open', %s, '' FROM scheduling_series",
        bare.pk, early, name="SL001_consent_first",
    )  # fmt: skip


def _hours(text: str) -> timedelta:
    parsed = parse_duration(f"{text}:00")
    assert parsed is not None
    return parsed


def test_two_studies_by_the_service(
    volunteer: Participant, visits: list[Visit], booker: Actor
) -> None:
    """The other study's search leaves the person's time out, and its booking names the clash."""
    study, people = the_lab.other_study()
    twin = the_lab.ready_volunteer(study, people[Role.CLINICIAN], 1, person=volunteer.person)
    stranger = the_lab.ready_volunteer(study, people[Role.CLINICIAN], 2)
    taken = {visit.number: visit.planned for visit in visits}
    offered = the_lab.find(twin, WEEK, limit=50)
    assert offered
    for option in offered:
        for row in option.visits:
            assert all(row.end <= t.lower or t.upper <= row.start for t in taken.values())
    clashing = next(
        option for option in the_lab.find(stranger, WEEK, limit=50)
        if option.visits[0].start < taken[1].upper and taken[1].lower < option.visits[0].end
    )  # fmt: skip
    with pytest.raises(
        Conflict, match="the volunteer, or somebody they are kept apart from, is in another visit"
    ):
        series_book(
            participant=twin, option=clashing,
            actor=cast.actor_of(people[Role.COORDINATOR], study),
        )  # fmt: skip
