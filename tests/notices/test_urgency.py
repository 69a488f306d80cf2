"""To whom something unread goes on, and when; clock changes from the IANA time zone database (America/Halifax, 2027)."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from studylab.notices.rules.urgency import Thing, by_urgency, is_night, ladder, steps_due
from studylab.studies.rules.notices import NoticePlan

HALIFAX = ZoneInfo("America/Halifax")
PLAN = NoticePlan(unread_minutes=15, order=("clinician", "lead"))
ON_CALL = replace(PLAN, order=("lead", "coordinator"), night_role="clinician")
NOON = datetime(2027, 3, 10, 12, tzinfo=HALIFAX)


def thing(shape: str) -> Thing:
    return Thing(shape, "", "", "", "", "", shape, "")


def test_red_comes_first_and_equals_keep_their_order() -> None:
    shapes = [
        one.shape
        for one in by_urgency([thing("info"), thing("warn"), thing("stop"), thing("wait")])
    ]
    assert shapes == ["stop", "warn", "wait", "info"]


@pytest.mark.parametrize(
    ("owners", "roles"),
    [
        (["experimenter"], ["clinician", "lead"]),
        (["clinician"], ["lead"]),
        (["clinician", "lead"], []),
        (["pharmacist"], []),  # a pharmacist's matter goes to nobody
        (["pharmacist", "coordinator"], ["clinician", "lead"]),
    ],
)
def test_the_next_roles_in_order_and_never_a_pharmacist(
    owners: list[str], roles: list[str]
) -> None:
    assert ladder(owners, PLAN, NOON) == roles


def test_who_is_on_call_is_told_first_at_night() -> None:
    assert ladder(["experimenter"], ON_CALL, NOON) == ["lead", "coordinator"]
    night = NOON.replace(hour=23)
    assert ladder(["experimenter"], ON_CALL, night) == ["clinician", "lead", "coordinator"]


@pytest.mark.parametrize(
    ("hour", "minute", "night"),
    [(19, 59, False), (20, 0, True), (3, 0, True), (6, 59, True), (7, 0, False)],
)
def test_a_night_goes_over_midnight(hour: int, minute: int, night: bool) -> None:
    assert is_night(NOON.replace(hour=hour, minute=minute), ON_CALL) is night


def test_a_night_within_one_day() -> None:
    plan = replace(ON_CALL, night_from=time(1), night_until=time(5))
    assert [is_night(NOON.replace(hour=hour), plan) for hour in (0, 1, 4, 5)] == [
        False,
        True,
        True,
        False,
    ]


@pytest.mark.parametrize("since", [
    datetime(2027, 3, 14, 5, 50, tzinfo=UTC),  # ten minutes before the clocks go forward there
    datetime(2027, 11, 7, 4, 50, tzinfo=UTC),  # ten minutes before they go back
])  # fmt: skip
def test_minutes_are_elapsed_minutes_whatever_the_clock_does(since: datetime) -> None:
    local = [(since + timedelta(minutes=after)).astimezone(HALIFAX) for after in (14, 15, 29, 30)]
    assert local[0].utcoffset() != since.astimezone(HALIFAX).utcoffset()
    assert [steps_due(since, PLAN, at.astimezone(UTC)) for at in local] == [0, 1, 1, 2]
