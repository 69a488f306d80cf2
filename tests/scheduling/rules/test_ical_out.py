"""Calendar files, read back by an independent reader: folding, escaping, zones and both nights of change.

Transitions: IANA 2026f, the table of UTC instants of the tz database for each zone. Text of RFC 5545 as named.
"""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.rules.ical_out import PUBLISH, Entry, Sender, calendar_bytes
from tests.scheduling.calendar.ical_reader import instant, read

STAMP = datetime(2026, 1, 5, 12, 30, 1, 999999, tzinfo=UTC)
SENDER = Sender("Study team", "+1 902 555 0143")


def entry(start: datetime, hours: float = 1, **changes: object) -> Entry:
    values = {"uid": "one", "summary": "Appointment 1", "sequence": 0} | changes
    return Entry(start=start, end=start + timedelta(hours=hours), **values)  # type: ignore[arg-type]


def written(*entries: Entry, zone: str = "Europe/Amsterdam") -> bytes:
    return calendar_bytes(entries, zone=zone, stamp=STAMP, method=PUBLISH, sender=SENDER)


# Each transition of three zones, as an instant; from the tz database.
CHANGES = [
    ("Europe/Amsterdam", datetime(2026, 3, 29, 1, tzinfo=UTC)),
    ("Europe/Amsterdam", datetime(2026, 10, 25, 1, tzinfo=UTC)),
    ("Europe/Amsterdam", datetime(2027, 3, 28, 1, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 3, 8, 7, tzinfo=UTC)),
    ("America/New_York", datetime(2026, 11, 1, 6, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 4, 4, 15, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 10, 3, 15, 30, tzinfo=UTC)),
]


@pytest.mark.parametrize(("zone", "change"), CHANGES)
def test_instants_around_each_change_come_back_by_the_rules_in_the_file(
    zone: str, change: datetime
) -> None:
    starts = [change + timedelta(minutes=15 * n) for n in range(-9, 10)]
    calendar = read(
        written(*(entry(at, 0.25, uid=f"{n:02}") for n, at in enumerate(starts)), zone=zone)
    )
    events = calendar.all("VEVENT")
    assert [instant(calendar, event, "DTSTART") for event in events] == starts
    assert [instant(calendar, event, "DTEND") for event in events] == [
        at + timedelta(minutes=15) for at in starts
    ]


@pytest.mark.parametrize(
    ("zone", "onset", "offsets"),
    [
        ("Europe/Amsterdam", "20260329T020000", ("+0100", "+0200")),
        ("Europe/Amsterdam", "20261025T030000", ("+0200", "+0100")),
        ("America/New_York", "20260308T020000", ("-0500", "-0400")),
        ("Australia/Lord_Howe", "20261004T020000", ("+1030", "+1100")),
    ],
)  # fmt: skip
def test_a_zones_onset_is_on_the_clock_before_the_change(
    zone: str, onset: str, offsets: tuple[str, str]
) -> None:
    """RFC 5545, 3.6.5: its own example has 02:00 in spring for New York, TZOFFSETFROM -0500."""
    year = datetime(2026, 1, 2, tzinfo=UTC), datetime(2026, 12, 30, tzinfo=UTC)
    (rules,) = read(written(*(entry(at) for at in year), zone=zone)).all("VTIMEZONE")
    found = {
        part.one("DTSTART")[1]: (part.one("TZOFFSETFROM")[1], part.one("TZOFFSETTO")[1])
        for part in rules.parts
    }
    assert found[onset] == offsets


def test_what_each_event_carries() -> None:
    at = datetime(2026, 7, 1, 7, tzinfo=UTC)
    calendar = read(written(entry(at, sequence=2, cancelled=True)))
    (event,) = calendar.all("VEVENT")
    assert calendar.one("METHOD")[1] == "PUBLISH"
    assert event.one("DTSTAMP")[1] == "20260105T123001Z"
    assert event.one("DTSTART") == ({"TZID": "Europe/Amsterdam"}, "20260701T090000")
    assert (event.one("SEQUENCE")[1], event.one("STATUS")[1]) == ("2", "CANCELLED")
    # RFC 5546, 3.2.1: PUBLISH has an ORGANIZER and no ATTENDEE.
    assert event.one("ORGANIZER") == ({"CN": "Study team"}, "tel:+19025550143")
    assert not event.has("ATTENDEE")


def test_an_empty_file_is_still_a_calendar() -> None:
    assert read(written()).parts == []


def test_escaping_by_the_letter() -> None:
    """RFC 5545, 3.3.11: backslash, semicolon, comma and line break; a colon is not escaped."""
    text = 'a\\b;c,d:e"f\ng'
    (event,) = read(written(entry(STAMP, summary=text))).all("VEVENT")
    assert event.one("SUMMARY")[1] == 'a\\\\b\\;c\\,d:e"f\\ng'
    assert event.text("SUMMARY") == text


@settings(max_examples=60)
@given(
    st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=120),
    st.sampled_from(["", "é" * 70, "漢" * 60, "🙂" * 40, "x" * 149]),
)
def test_any_text_comes_back_and_no_line_is_longer_than_75_octets(text: str, more: str) -> None:
    (event,) = read(written(entry(STAMP, summary=text + more, description=more))).all("VEVENT")
    assert event.text("SUMMARY") == text + more
