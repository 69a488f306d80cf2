"""The wait after the dose: kept by the service and by the database, over clock changes too."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection

from scheduling.rules.elapsed import local_day
from scheduling.selectors.sheet import sheet_of
from scheduling.selectors.today import today_of
from scheduling.services.lateness import note_late_check
from scheduling.services.running import work_on
from screening.models import VitalSet
from screening.rules.vitals import Reading
from screening.services.monitors import monitor_compare
from screening.services.off_time import post_dose_record
from studylab.errors import Refused
from studylab.participants.models import Deviation
from studylab.participants.services import deviation_found
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.values import GOOD
from tests.screening.record import checks

pytestmark = [pytest.mark.django_db, pytest.mark.database]

INSERT = """INSERT INTO screening_vitalset (uid, participant_id, gate, visit_uid, arm, cuff, device,
    posture, symptoms, problems, verdict, taken_at, recorded_at, reason, deviation_id, before, entry, rhythm)
    VALUES (gen_random_uuid(), %s, 'post_dose', %s, 'left', '', '', '', '[]', '[]', '', %s, %s, '', %s,
    '[]', '', '')"""


def at_wait(case: Case, minutes: float, seconds: float = 0) -> None:
    case.t = case.dose.given_at + minutes * MINUTE + timedelta(seconds=seconds)


def check(case: Case, **kwargs: object) -> VitalSet:
    """Take the post-dose set so that its first reading is now."""
    first = case.t
    case.forward(1.5 * (len(GOOD) - 1))
    made = case.readings("post_dose", case.visit(2), **kwargs)
    assert made.taken_at == first
    return made


def early(case: Case) -> Deviation:
    """Somebody notes why the check does not wait."""
    found: Deviation = case.act(
        deviation_found, study=case.study, participant=case.participant, kind=Deviation.Kind.WAIT,
        what="Feels cold.", occurred_at=case.t,
    )  # fmt: skip
    return found


def test_a_check_before_the_end_of_the_wait_is_refused(dosed: Case) -> None:
    for minutes, seconds in ((1, 0), (60, 0), (89, 59)):
        at_wait(dosed, minutes, seconds)
        with pytest.raises(Refused, match="wait after the dose is not over"):
            check(dosed)
    assert not VitalSet.objects.filter(gate="post_dose").exists()
    at_wait(dosed, 90)
    assert check(dosed).verdict == "pass"


def test_sql_refuses_it_too_and_takes_it_with_a_deviation(dosed: Case) -> None:
    at_wait(dosed, 89, 59)
    row = [dosed.participant.pk, dosed.visit(2).uid, dosed.t, dosed.t]
    refused_by_database(INSERT, *row, None, says="wait after the dose is not over")
    deviation = early(dosed)
    with connection.cursor() as cursor:
        cursor.execute(INSERT, [*row, deviation.pk])
    assert VitalSet.objects.get(gate="post_dose").deviation == deviation


def off_time(case: Case, why: str, **kwargs: Any) -> VitalSet:
    """Take the post-dose set by the page's service; its first reading is now."""
    case.checks("post_dose", case.visit(2).uid)
    made: VitalSet = case.act(
        post_dose_record, participant=case.participant, why=why, visit_number=2, gate="post_dose",
        visit_uid=case.visit(2).uid, readings=[Reading(118.0, 76.0, 64.0, at=case.t)], rest_seconds=300,
        arm="left", cuff="adult", device="Monitor 1", symptoms=[], reason="again", **kwargs,
    )  # fmt: skip
    return made


@pytest.mark.parametrize(
    ("minutes", "what", "refused"),
    [
        (40, "before the end of the wait", "not over"),
        (116, "11 min after the latest time", "11 min after the latest time"),
    ],
)
def test_a_check_outside_its_time_asks_why_and_is_a_deviation(
    dosed: Case, minutes: int, what: str, refused: str
) -> None:
    """Wait 90 minutes, 15 more are on time (demo.toml). Finishing the visit finds the late one no second time."""
    at_wait(dosed, minutes)
    with pytest.raises(Refused, match=refused):
        off_time(dosed, " ")
    assert not Deviation.objects.exists()
    made = off_time(dosed, "Felt dizzy.")
    deviation = Deviation.objects.get()
    assert made.deviation == deviation
    assert (deviation.kind, deviation.explanation) == (Deviation.Kind.WAIT, "Felt dizzy.")
    assert what in deviation.what
    corrected = off_time(dosed, "", supersedes=made)
    assert corrected.deviation == deviation
    with dosed.now():
        work = work_on(dosed.visit(2), dosed.actor())
        assert note_late_check(work, dosed.dose, dosed.actor()) is None
    assert Deviation.objects.count() == 1


def test_a_check_on_time_asks_nothing(dosed: Case) -> None:
    at_wait(dosed, 105)
    with pytest.raises(Refused, match="on time"):
        off_time(dosed, "Typed all the same.")
    assert off_time(dosed, "").deviation is None


def test_a_deviation_of_somebody_else_does_not_help(dosed: Case) -> None:
    at_wait(dosed, 40)
    deviation = early(dosed)
    deviation.participant = None
    with pytest.raises(Refused):
        check(dosed, deviation=deviation)


def test_the_sheet_counts_down_and_stops_when_the_check_is_decided(dosed: Case) -> None:
    seen = []
    for minutes in (0, 30, 90, 105, 106):
        at_wait(dosed, minutes)
        wait = sheet_of(dosed.visit(2), dosed.t).wait
        assert wait is not None
        seen.append((wait.state, wait.remaining_seconds))
    assert seen == [("waiting", 5400), ("waiting", 3600), ("due", 0), ("due", 0), ("late", 0)]
    dosed.readings("post_dose", dosed.visit(2), GOOD[:2])  # decides nothing
    assert sheet_of(dosed.visit(2), dosed.t).wait is not None
    dosed.forward(10)
    dosed.readings("post_dose", dosed.visit(2))
    assert sheet_of(dosed.visit(2), dosed.t).wait is None


def test_the_wait_over_the_autumn_change_is_ninety_minutes_of_elapsed_time() -> None:
    """Halifax: 02:00 becomes 01:00 at 05:00 UTC on 1 November 2026 (IANA time zone database)."""
    case = Case(datetime(2026, 10, 28, 14, tzinfo=UTC))
    case.prepare_study()
    case.screen()
    case.book(first_day="2026-10-31", earliest=time(0, 30))
    case.visit_one()
    case.begin_two()
    zone = ZoneInfo("America/Halifax")
    local = case.t.astimezone(zone)
    assert (local.day, local.utcoffset()) == (1, timedelta(hours=-3)), "still summer time"
    dose = case.give()
    wait = sheet_of(case.visit(2), case.t).wait
    assert wait is not None
    due = wait.due_at.astimezone(zone)
    assert due.utcoffset() == timedelta(hours=-4), "the change lies inside the wait"
    assert wait.due_at - dose.given_at == timedelta(minutes=90)
    naive = (dose.given_at.astimezone(zone) + timedelta(minutes=90)).astimezone(UTC)
    assert naive - wait.due_at == timedelta(hours=1), "counting by the clock would be an hour late"
    at_wait(case, 89, 59)
    with pytest.raises(Refused, match="wait"):
        check(case)
    at_wait(case, 90)
    assert check(case).verdict == "pass"


def test_today_says_who_waits(dosed: Case) -> None:
    def word() -> str:
        with dosed.now():
            day = local_day(dosed.t, dosed.study.timezone)
            (row,) = today_of(dosed.study, day)
        assert row.code == dosed.participant.code
        return row.word

    at_wait(dosed, 20)
    assert word() == "waiting"
    at_wait(dosed, 91)
    assert word() == "check due"
    dosed.forward(5)
    dosed.readings("post_dose", dosed.visit(2), ((95, 60, 44), (94, 60, 43), (94, 60, 43)))
    assert word() == "on hold"


def test_f55_a_clock_that_nobody_compared_shows_no_wait(dosed: Case) -> None:
    """By the device it is 90 minutes after the dose: that counts once its clock was compared, else as a deviation."""
    at_wait(dosed, 91)
    zone = dosed.study.zone
    fast = (dosed.t + 8 * MINUTE).astimezone(zone).time()
    how = replace(checks.HOW, timed=("device",), shown=(fast,))
    with pytest.raises(Refused, match="was not compared"):
        off_time(dosed, "", how=how)
    dosed.act(monitor_compare, study=dosed.study, name="Monitor 1", shown=fast)
    made = off_time(dosed, "", how=how)
    assert (made.time_uncertain, made.deviation, made.taken_at) == (False, None, dosed.t)
    row = [dosed.participant.pk, dosed.visit(2).uid, dosed.t, dosed.t]
    uncertain = INSERT.replace("rhythm)", "rhythm, time_uncertain)").replace(
        "'', '')", "'', '', true)"
    )
    refused_by_database(uncertain, *row, None, says="wait after the dose is not over")


def test_f55_an_uncertain_check_stands_with_its_deviation_and_decides_nothing(dosed: Case) -> None:
    at_wait(dosed, 91)
    shown = dosed.t.astimezone(dosed.study.zone).time()
    how = replace(checks.HOW, timed=("device",), shown=(shown,))
    made = off_time(dosed, "The clock could not be reached.", how=how)
    assert (made.time_uncertain, made.systolic, made.verdict) == (True, None, "")
    assert made.deviation is not None
    assert "nobody had compared" in made.deviation.what
