"""The 90-minute wait, also over clock changes (instants from the IANA time zone database)."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.rules.waits import wait_state
from studylab.studies.rules.protocol import Wait

WAIT = Wait("visit2", "capsule", "post_dose", timedelta(minutes=90), timedelta(minutes=10))
AMS, NYC, LORD_HOWE = map(ZoneInfo, ("Europe/Amsterdam", "America/New_York", "Australia/Lord_Howe"))


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("moment", "state", "remaining"),
    [
        ("2026-06-01T08:00:00Z", "waiting", 5400),
        ("2026-06-01T09:29:59Z", "waiting", 1),
        ("2026-06-01T09:29:59.900Z", "waiting", 1),
        ("2026-06-01T09:30:00Z", "due", 0),
        ("2026-06-01T09:40:00Z", "due", 0),
        ("2026-06-01T09:40:01Z", "late", 0),
    ],
)
def test_states_and_edges(moment, state, remaining) -> None:
    found = wait_state(at("2026-06-01T08:00Z"), WAIT, at(moment))
    assert (found.state, found.remaining_seconds) == (state, remaining)


@pytest.mark.parametrize(
    ("zone", "dose", "due", "wrong"),
    [
        (AMS, "2026-10-25T01:45+02:00", "2026-10-25T02:15+01:00", "2026-10-25T03:15+01:00"),
        (AMS, "2026-03-29T01:15+01:00", "2026-03-29T03:45+02:00", "2026-03-29T02:45+01:00"),
        (NYC, "2026-11-01T00:45-04:00", "2026-11-01T01:15-05:00", "2026-11-01T02:15-05:00"),
        (NYC, "2026-03-08T01:15-05:00", "2026-03-08T03:45-04:00", "2026-03-08T02:45-05:00"),
        (LORD_HOWE, "2026-04-05T01:15+11:00", "2026-04-05T02:15+10:30", "2026-04-05T02:45+10:30"),
        (LORD_HOWE, "2026-10-04T01:15+10:30", "2026-10-04T03:15+11:00", "2026-10-04T02:45+11:00"),
    ],
)
def test_90_minutes_over_a_change_of_the_clocks(zone, dose, due, wrong) -> None:
    started = at(dose).astimezone(zone)  # a zone in which Python's own sum goes wrong
    found = wait_state(started, WAIT, started)
    assert found.due_at == at(due)
    assert found.due_at.astimezone(zone).isoformat() == at(due).isoformat()
    assert found.latest_at == at(due) + timedelta(minutes=10)
    assert found.remaining_seconds == 5400
    naive_sum = (started + timedelta(minutes=90)).replace(tzinfo=None)
    assert naive_sum == at(wrong).replace(tzinfo=None)
    assert wait_state(started, WAIT, at(due)).state == "due"


def test_a_moment_without_zone_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="started_at has no time zone"):
        wait_state(datetime(2026, 6, 1), WAIT, at("2026-06-01T08:00Z"))
    with pytest.raises(ValueError, match="at has no time zone"):
        wait_state(at("2026-06-01T08:00Z"), WAIT, datetime(2026, 6, 1))
