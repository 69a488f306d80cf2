"""Days and times as volunteers read them. French as in CLDR's fr-CA: "1er", no comma after the weekday, "9 h 05"."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from django.utils.translation import override

from scheduling.forms.own_page import TimesForm
from studylab.said_times import said_day, said_start, said_time, said_weekday

FIRST = datetime(2026, 12, 1, 9, 5, tzinfo=ZoneInfo("America/Halifax"))


@pytest.mark.parametrize(
    ("language", "day", "weekday", "time", "start"),
    [
        ("en", "1 December 2026", "Tuesday, 1 December 2026", "09:05", "Tuesday, 1 December 2026, 09:05"),
        ("fr-ca", "1er décembre 2026", "mardi 1er décembre 2026", "09 h 05", "mardi 1er décembre 2026, 09 h 05"),
    ],
)  # fmt: skip
def test_in_each_language(language: str, day: str, weekday: str, time: str, start: str) -> None:
    with override(language):
        assert (said_day(FIRST), said_weekday(FIRST)) == (day, weekday)
        assert (said_time(FIRST), said_start(FIRST)) == (time, start)
        assert said_day(FIRST.replace(day=11)) == day.replace("1er", "1").replace("1", "11", 1)


def test_hours_to_choose_from_are_said_alike() -> None:
    with override("fr-ca"):
        assert [str(words) for _, words in TimesForm().fields["not_earlier"].choices][
            1
        ] == "07 h 00"
