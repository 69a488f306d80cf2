"""Reading rota files: what is taken, and what is wrong by line, column and fix."""

import contextlib
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.rules.openings import Hours, open_between
from scheduling.rules.rota import Known, RotaFile, RotaUnreadable, Shift, plan_rota
from scheduling.rules.rota_csv import example, read_csv
from scheduling.rules.rota_ical import read_ical

ZONE = "America/Halifax"
DAYS = date(2026, 1, 1), date(2027, 12, 31)
HEAD = "person,day,from,until\n"
BEA = Known(1, "experimenter", "Bea Quill", frozenset({"bea quill", "bea@harbour.example"}))
COVER = Known(2, "physician cover", "Bea on cover", frozenset({"bea on cover", "bea quill"}))
ROOM = Known(3, "lab room", "Quay room", frozenset({"quay room"}))


def csv(text: str, **changes: Any) -> RotaFile:
    values = {"zone": ZONE, "first": DAYS[0], "last": DAYS[1]} | changes
    return read_csv(text.encode(), **values)


def times(file: RotaFile) -> list[tuple[str, str, str]]:
    return [
        (row.person, f"{row.start:%m-%dT%H:%M}", f"{row.end:%m-%dT%H:%M}") for row in file.lines
    ]


class TestCsv:
    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    def test_lines_with_their_numbers(self, delimiter: str) -> None:
        text = (
            "\ufeff"
            + HEAD
            + "\nBea Quill,2026-11-26,08:00,16:30\r\nBea Quill,2026-11-27,20:00,24:00\n"
        )
        file = csv(text.replace(",", delimiter))
        assert [row.number for row in file.lines] == [3, 4]
        assert times(file)[1] == ("Bea Quill", "11-28T00:00", "11-28T04:00")

    def test_another_zone_is_read_on_its_own_clock(self) -> None:
        file = csv("person,day,from,until,zone\nBea,2026-07-01,09:00,10:00,Europe/Amsterdam\n")
        assert times(file) == [("Bea", "07-01T07:00", "07-01T08:00")]

    @pytest.mark.parametrize(
        ("line", "column", "words"),
        [
            ("Bea,2026-11-26,16:00,08:00", "until", "not later than the start"),
            ("Bea,2026-11-26,08:00,08:00", "until", "not later than the start"),
            ("Bea,26.11.2026,08:00,09:00", "day", "Write it as 2026-11-26"),
            ("Bea,20261126,08:00,09:00", "day", "Write it as 2026-11-26"),
            ("Bea,2062-11-26,08:00,09:00", "day", "Check the year"),
            ("Bea,2026-11-26,8 am,09:00", "from", "Write it as 08:30"),
            ("Bea,2026-11-26,08:00,24:30", "until", "24:00"),
            ("Bea,2026-11-26,08:61,09:00", "from", "not a time of day"),
            (",2026-11-26,08:00,09:00", "person", "empty"),
            ('"=HYPERLINK(""x"")",2026-11-26,08:00,09:00', "person", "begins like a formula"),
            ("@Bea,2026-11-26,08:00,09:00", "person", "begins like a formula"),
            ("Bea,2026-11-26,08:00,09:00,and,more", "until", "more cells"),
            # Transitions of Halifax in 2026: 8 March 02:00 forward, 1 November 02:00 back (IANA tz database).
            ("Bea,2026-03-08,02:30,09:00", "from", "does not exist"),
            ("Bea,2026-11-01,01:30,09:00", "from", "Write 01:30-03:00 or 01:30-04:00"),
        ],
    )  # fmt: skip
    def test_what_is_wrong_is_named(self, line: str, column: str, words: str) -> None:
        file = csv(f"{HEAD}Bea,2026-11-25,08:00,09:00\n{line}\n")
        assert len(file.lines) == 1
        (problem,) = file.problems
        assert (problem.line, problem.column) == (3, column)
        assert words in problem.text

    def test_an_unknown_zone_is_named(self) -> None:
        (problem,) = csv(
            "person,day,from,until,zone\nB,2026-07-01,09:00,10:00,Mars/Base\n"
        ).problems
        assert (problem.column, "Mars/Base" in problem.text) == ("zone", True)

    def test_the_offset_chooses_between_two_readings(self) -> None:
        """01:30 on 1 November 2026 in Halifax is 04:30 UTC and 05:30 UTC (check: UTC-3 before, UTC-4 after)."""
        file = csv(f"{HEAD}Bea,2026-11-01,01:30-03:00,01:30-04:00\n")
        assert times(file) == [("Bea", "11-01T04:30", "11-01T05:30")]

    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"", "empty"),
            (b" \n", "empty"),
            ("person;day\nJürgen".encode("cp1252"), "line 2"),
            ("person,day".encode("utf-16"), "UTF-8"),
            (b"PK\x03\x04\x00\x00", "not as a workbook"),
            (b"x" * (512 * 1024 + 1), "512 kB"),
            (b"person,day,from\n", "Missing: until"),
            (HEAD.encode(), "nothing below"),
            (b"person,day,from,until,colour\nx", "Take out: colour"),
            (b"person,day,from,until,day\nx", "each once"),
            (b'person,day,from,until\n"Bea', "quotation mark"),
            (HEAD.encode() + b"Bea,2026-11-26,08:00,09:00\n" * 2001, "2000 lines"),
        ],
    )
    def test_files_that_are_no_rota(self, data: bytes, words: str) -> None:
        with pytest.raises(RotaUnreadable, match=words):
            read_csv(data, ZONE, *DAYS)

    def test_the_example_can_be_taken_over(self) -> None:
        file = csv(example(date(2026, 11, 26), iter(["Bea Quill", "Quill, Bea"])))
        assert not file.problems
        assert [row.person for row in file.lines] == ["Bea Quill", "Quill, Bea"]

    @pytest.mark.parametrize("data", [b";", b",,,\n,,\n", b"\t\n"])
    def test_cells_without_a_word_are_refused(self, data: bytes) -> None:
        with pytest.raises(RotaUnreadable, match=r"only separators|is empty"):
            read_csv(data, ZONE, *DAYS)

    @settings(max_examples=60)
    @given(st.binary(max_size=200), st.text(max_size=200))
    def test_nothing_breaks_it(self, data: bytes, text: str) -> None:
        for whole in (
            data,
            text.encode(errors="surrogatepass"),
            (HEAD + text).encode(errors="ignore"),
        ):
            with contextlib.suppress(RotaUnreadable):
                read_csv(whole, ZONE, *DAYS)


def ics(*events: str, days: tuple[date, date] = DAYS, whose: str = "") -> RotaFile:
    body = "".join(
        f"BEGIN:VEVENT\nUID:{n}\n{event}\nEND:VEVENT\n" for n, event in enumerate(events)
    )
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\n{body}END:VCALENDAR\n"
    return read_ical(text.replace("\n", "\r\n").encode(), ZONE, *days, whose=whose)


class TestCalendarFile:
    def test_floating_utc_and_zoned_times(self) -> None:
        file = ics(
            "SUMMARY:Bea\nDTSTART:20261126T080000\nDTEND:20261126T163000",
            "SUMMARY:Bea\nDTSTART:20261127T120000Z\nDURATION:PT4H",
            "ATTENDEE;CN=B:MAILTO:Bea@Harbour.example\nATTENDEE:mailto:al@harbour.example\n"
            "DTSTART;TZID=W. Europe Standard Time:20261128T090000\nDTEND;TZID=Europe/Amsterdam:20261128T100000",
        )  # fmt: skip
        assert times(file) == [
            ("Bea", "11-26T12:00", "11-26T20:30"),
            ("Bea", "11-27T12:00", "11-27T16:00"),
            ("bea@harbour.example", "11-28T08:00", "11-28T09:00"),
            ("al@harbour.example", "11-28T08:00", "11-28T09:00"),
        ]

    def test_a_weekly_shift_keeps_its_clock_time_and_its_exceptions(self) -> None:
        """RFC 5545, 3.8.5: the recurrence set is DTSTART and RRULE, less EXDATE; one occurrence moved.

        Halifax is UTC-3 until 1 November 2026 and UTC-4 from then on.
        """
        file = ics(
            "SUMMARY:Bea\nDTSTART;TZID=America/Halifax:20261020T080000\n"
            "DTEND;TZID=America/Halifax:20261020T120000\nRRULE:FREQ=WEEKLY;COUNT=5\n"
            "EXDATE;TZID=America/Halifax:20261027T080000",
        )  # fmt: skip
        assert [row[1] for row in times(file)] == [
            "10-20T11:00", "11-03T12:00", "11-10T12:00", "11-17T12:00",
        ]  # fmt: skip

    def test_a_moved_occurrence_takes_the_place_of_the_usual_one(self) -> None:
        usual = "SUMMARY:Bea\nDTSTART:20261103T080000\nDURATION:PT1H\nRRULE:FREQ=DAILY;UNTIL=20261105T235959"
        moved = "SUMMARY:Bea\nDTSTART:20261104T140000\nDURATION:PT1H\nRECURRENCE-ID:20261104T080000"
        text = ics(usual), ics(usual, moved.replace("RECURRENCE", "UID:0\nRECURRENCE"))
        assert [row[1] for row in times(text[0])] == ["11-03T12:00", "11-04T12:00", "11-05T12:00"]

    def test_recurrence_beyond_the_days_is_left_out_and_counted(self) -> None:
        file = ics(
            "SUMMARY:Bea\nDTSTART:20251230T080000\nDURATION:PT1H\nRRULE:FREQ=DAILY;BYDAY=MO,TU,WE,TH,FR",
            days=(date(2026, 1, 5), date(2026, 1, 9)),
        )
        assert len(file.lines) == 5
        assert file.left_out >= 4

    def test_cancelled_events_are_no_shifts(self) -> None:
        assert not ics(
            "SUMMARY:Bea\nSTATUS:CANCELLED\nDTSTART:20261126T080000\nDURATION:PT1H"
        ).lines

    def test_all_of_one_person(self) -> None:
        file = ics("SUMMARY:Late shift\nDTSTART:20261126T080000\nDURATION:PT1H", whose="Bea Quill")
        assert times(file)[0][0] == "Bea Quill"

    @pytest.mark.parametrize(
        ("event", "column", "words"),
        [
            ("SUMMARY:Bea\nDTSTART:20261126T080000", "DTEND", "no end"),
            ("SUMMARY:Bea\nDURATION:PT1H", "DTSTART", "missing"),
            ("SUMMARY:Bea\nDTSTART:2026\nDURATION:PT1H", "DTSTART", "cannot be read"),
            ("SUMMARY:Bea\nDTSTART:20261126T080000\nDTEND:20261126T070000", "DTEND", "not later"),
            ("SUMMARY:Bea\nDTSTART:20261126T080000\nDTEND:20261128T080000", "DTEND", "24 hours"),
            ("SUMMARY:Bea\nDTSTART;VALUE=DATE:20261126", "DTSTART", "whole days"),
            ("SUMMARY:Bea\nDTSTART;TZID=Mars/Base:20261126T080000\nDURATION:PT1H", "DTSTART", "Mars/Base"),
            ("SUMMARY:Bea\nDTSTART:20260308T023000\nDURATION:PT1H", "DTSTART", "does not exist"),
            ("SUMMARY:Bea\nDTSTART:20261101T013000\nDURATION:PT4H", "DTSTART", "happens twice"),
            ("SUMMARY:Bea\nDTSTART:20261126T080000\nDURATION:PT1H\nRRULE:FREQ=SECONDLY", "RRULE", "secondly"),
            ("SUMMARY:Bea\nDTSTART:20261126T080000\nDURATION:PT1H\nRRULE:FREQ=DAILY;BYDAY=XX", "RRULE", "not understood"),
            ("DTSTART:20261126T080000\nDURATION:PT1H", "SUMMARY", "whose shift"),
        ],
    )  # fmt: skip
    def test_what_is_wrong_is_named(self, event: str, column: str, words: str) -> None:
        file = ics("SUMMARY:Al\nDTSTART:20261126T080000\nDURATION:PT1H", event)
        (problem,) = file.problems
        assert (problem.line, problem.column) == (2, column)
        assert words in problem.text

    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", "no event"),
            (
                b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nEND:VCALENDAR\r\n",
                "no(t an iCalendar file| event)",
            ),
            (b"hello", "not an iCalendar file|no event"),
        ],
    )
    def test_files_that_are_no_calendar(self, data: bytes, words: str) -> None:
        with pytest.raises(RotaUnreadable, match=words):
            read_ical(data, ZONE, *DAYS)


class TestPlan:
    def at(self, hour: int) -> datetime:
        return datetime(2026, 11, 26, hour, tzinfo=UTC)

    def plan(self, text: str, *standing: Shift, replace: bool = False) -> Any:
        return plan_rota(csv(text), [BEA, COVER, ROOM], standing, replace=replace)

    def test_a_person_is_everything_of_theirs_and_a_kind_narrows_it(self) -> None:
        line = "Bea Quill,2026-11-26,08:00,09:00"
        assert [row.resource_id for row in self.plan(f"{HEAD}{line}").new] == [1, 2]
        narrow = f"person,day,from,until,kind\n{line},Physician cover"
        assert [row.resource_id for row in self.plan(narrow).new] == [2]
        (problem,) = self.plan(f"person,day,from,until,kind\n{line},cook").problems
        assert (problem.column, "experimenter, physician cover" in problem.text) == ("kind", True)

    def test_unknown_people_are_named(self) -> None:
        (problem,) = self.plan(f"{HEAD}Al,2026-11-26,08:00,09:00").problems
        assert (problem.line, problem.column) == (2, "person")

    def test_overlaps_within_the_file_and_with_what_stands(self) -> None:
        text = f"{HEAD}Quay room,2026-11-26,08:00,10:00\nQuay room,2026-11-26,09:00,11:00\n"
        assert [(p.line, "line 2" in p.text) for p in self.plan(text).problems] == [(3, True)]
        old = Shift(3, "Quay room", self.at(13), self.at(20))
        (problem,) = self.plan(f"{HEAD}Quay room,2026-11-26,08:00,10:00", old).problems
        assert "stands already" in problem.text

    def test_touching_shifts_and_equal_ones_are_no_overlap(self) -> None:
        old = Shift(3, "Quay room", self.at(12), self.at(14))
        plan = self.plan(
            f"{HEAD}Quay room,2026-11-26,08:00,10:00\nQuay room,2026-11-26,10:00,11:00", old
        )
        assert (len(plan.new), len(plan.same), plan.problems) == (1, 1, ())

    def test_replacing_touches_only_whom_and_when_the_file_names(self) -> None:
        inside = Shift(3, "Quay room", self.at(13), self.at(20))
        after = Shift(3, "Quay room", self.at(21), self.at(22))
        others = Shift(1, "Bea Quill", self.at(13), self.at(20))
        plan = self.plan(
            f"{HEAD}Quay room,2026-11-26,08:00,10:00", inside, after, others, replace=True
        )
        assert (plan.gone, plan.problems) == ((inside,), ())


def test_shifts_replace_the_weekly_hours_of_their_day_only() -> None:
    from datetime import time, timedelta

    hours = [Hours(day, time(8), time(17)) for day in range(7)]
    start = datetime(2026, 11, 25, 4, tzinfo=UTC)  # local midnight of a Wednesday in Halifax
    night = datetime(2026, 11, 27, 2, tzinfo=UTC), datetime(2026, 11, 27, 6, tzinfo=UTC)
    found = open_between(hours, ZONE, start, start + timedelta(days=3), [night])
    assert [f"{begin:%d %H}-{end:%d %H}" for begin, end in found] == [
        "25 12-25 21", "27 02-27 06", "27 12-27 21",
    ]  # fmt: skip
