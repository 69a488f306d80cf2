"""What the times of a consent say together."""

from datetime import UTC, date, datetime, timedelta

import pytest

from studylab.participants.rules.consent import (
    ConsentTimes,
    consent_notes,
    duration_words,
    instant_words,
    staff_first,
)

SIGNED = datetime(2026, 3, 10, 9, 40, tzinfo=UTC)
ZONE = "Europe/London"


def notes(**changes: object) -> list[str]:
    given = {"signed_at": SIGNED, "recorded_at": SIGNED + timedelta(minutes=5),
             "staff_signed_at": SIGNED, "written_on": date(2026, 3, 10), **changes}  # fmt: skip
    return consent_notes(ConsentTimes(**given), ZONE)  # type: ignore[arg-type]


def test_nothing_to_notice() -> None:
    """Signed, countersigned the same minute and recorded soon after."""
    assert notes() == []


@pytest.mark.parametrize(("minutes", "shown"), [(15, False), (16, True), (1440, True)])
def test_gap_is_shown_above_a_quarter_of_an_hour(minutes: int, shown: bool) -> None:
    """Exactly a quarter of an hour is not yet a gap."""
    assert bool(notes(recorded_at=SIGNED + timedelta(minutes=minutes))) is shown


def test_gap_is_told_in_words() -> None:
    """Days, hours and minutes, without those that are nought."""
    late = SIGNED + timedelta(days=1, hours=3, minutes=20)
    assert notes(recorded_at=late) == ["Recorded 1 d 3 h 20 min after it was given."]
    assert duration_words(timedelta(seconds=30)) == "0 min"


def test_other_date_in_the_volunteers_hand_is_shown() -> None:
    """What the volunteer wrote and what is given as the signing day are compared in the study's zone."""
    assert "wrote 9 March 2026" in notes(written_on=date(2026, 3, 9))[0]
    late_evening = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)  # 2 July in London
    assert notes(signed_at=late_evening, recorded_at=late_evening, staff_signed_at=late_evening,
                 written_on=date(2026, 7, 2)) == []  # fmt: skip


def test_staff_before_volunteer_is_shown() -> None:
    """Staff sign after the volunteer; the same minute is not before."""
    assert notes(staff_signed_at=SIGNED - timedelta(minutes=5)) == [
        "Staff signed 5 min before the volunteer."
    ]
    assert not staff_first(ConsentTimes(SIGNED, SIGNED, SIGNED))


def test_staff_on_another_day_is_shown() -> None:
    """A countersignature of the next day is told."""
    later = SIGNED + timedelta(days=1)
    assert "Staff signed on another day than the volunteer." in notes(
        staff_signed_at=later, recorded_at=later
    )


def test_instants_name_their_zone() -> None:
    """Summer time and winter time are told apart."""
    assert instant_words(datetime(2026, 7, 1, 9, tzinfo=UTC), ZONE) == "1 July 2026, 10:00 BST"
