"""When something happened that a tablet noted without network; clock changes of 2026 in Halifax (tz database)."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from scheduling.rules.tablet_time import TabletTime, tablet_time
from scheduling.rules.waits import wait_state
from studylab.studies.rules.protocol import Wait

MINUTE = timedelta(minutes=1)
ACT = datetime(2026, 3, 12, 14, 5, tzinfo=UTC)  # by the server's clock


def told(wrong: timedelta, later: timedelta = 12 * MINUTE, **changed: Any) -> TabletTime:
    """An act sent `later`, from a tablet whose clock is ahead by `wrong`."""
    given = {
        "device_at": ACT + wrong, "sent_at": ACT + later + wrong, "received_at": ACT + later,
        "compared": -wrong, "not_before": ACT - 30 * MINUTE, **changed,
    }  # fmt: skip
    return tablet_time(**given)


@pytest.mark.parametrize("minutes", [0, 7, -7, 60, -24 * 60])
def test_a_wrong_clock_changes_nothing(minutes: int) -> None:
    time = told(minutes * MINUTE)
    assert (time.happened_at, time.uncertain) == (ACT, False)
    assert time.offset == -minutes * MINUTE


def test_the_better_measured_difference_counts_and_both_times_are_kept() -> None:
    """The sending took four seconds; the comparison halved the way there and back."""
    time = told(7 * MINUTE, received_at=ACT + 12 * MINUTE + timedelta(seconds=4))
    assert (time.happened_at, time.uncertain) == (ACT, False)
    assert time.device_at == ACT + 7 * MINUTE
    assert time.sent_at == ACT + 19 * MINUTE


def test_a_tablet_that_never_compared_itself_is_uncertain() -> None:
    time = told(7 * MINUTE, compared=None)
    assert (time.happened_at, time.uncertain) == (ACT, True)


def test_a_clock_that_was_set_between_act_and_sending_is_uncertain() -> None:
    ahead = told(7 * MINUTE, sent_at=ACT + 12 * MINUTE)  # put right in between
    assert ahead.uncertain
    back = told(0 * MINUTE, sent_at=ACT - 5 * MINUTE)  # the act would be later than its sending
    assert back.uncertain
    assert back.happened_at == ACT + 12 * MINUTE  # never later than it came


def test_an_uncertain_time_stays_inside_the_visit_a_certain_one_is_never_moved() -> None:
    begun = ACT + MINUTE
    assert told(0 * MINUTE, compared=None, not_before=begun).happened_at == begun
    assert told(0 * MINUTE, not_before=begun).happened_at == ACT


def test_a_clock_change_during_the_wait_changes_neither_the_act_nor_the_wait() -> None:
    """1 November 2026, 02:00 -03:00 becomes 01:00 -04:00: dose at 01:20, a pulse said at "01:10" the second time."""
    dose = datetime.fromisoformat("2026-11-01T01:20:00-03:00")
    pulse = datetime.fromisoformat("2026-11-01T01:10:00-04:00")
    time = tablet_time(
        device_at=pulse + 7 * MINUTE, sent_at=datetime.fromisoformat("2026-11-01T01:37:00-04:00"),
        received_at=datetime(2026, 11, 1, 5, 30, tzinfo=UTC), compared=-7 * MINUTE, not_before=dose,
    )  # fmt: skip
    assert (time.happened_at, time.uncertain) == (datetime(2026, 11, 1, 5, 10, tzinfo=UTC), False)
    wait = Wait("visit2", "dose", "post_dose", 90 * MINUTE, 15 * MINUTE)
    assert wait_state(dose, wait, time.happened_at).remaining_seconds == 40 * 60
