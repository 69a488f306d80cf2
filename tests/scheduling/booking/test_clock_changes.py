"""Series across the nights on which the clocks change in Halifax.

The offsets before and after (UTC-4/-3 in spring 2027, UTC-3/-4 in autumn 2026) are those of the IANA
time zone data for America/Halifax: changes at 06:00 UTC on 14 March 2027 and 05:00 UTC on 1 November 2026.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import IntegrityError, connection, transaction

from scheduling.models import Visit
from scheduling.selectors.cards import series_shown
from scheduling.selectors.series import all_series
from scheduling.services.booking import series_book
from studylab import clock
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HALIFAX = ZoneInfo("America/Halifax")


@pytest.fixture(params=["spring", "autumn"])
def night(request: pytest.FixtureRequest) -> Iterator[str]:
    starts = {
        "spring": datetime(2027, 3, 12, 12, tzinfo=UTC),
        "autumn": datetime(2026, 10, 30, 12, tzinfo=UTC),
    }
    with clock.travel(starts[request.param]):
        yield request.param


@pytest.fixture
def volunteer(night: str, study: Any, lead: Any, clinician: Any) -> Participant:
    the_lab.make_lab(cast.actor_of(lead, study))
    return the_lab.ready_volunteer(study, clinician, 1)


DAYS = {"spring": ("2027-03-13", "2027-03-15"), "autumn": ("2026-10-31", "2026-11-02")}


def test_elapsed_time_is_kept(
    night: str, volunteer: Participant, coordinator: Any, study: Any
) -> None:
    """The series whose gaps are exactly the targets: 24 h to visit 2 moves the clock by an hour."""
    options = the_lab.find(volunteer, the_lab.wishes(*DAYS[night]), limit=40)
    exact = next(o for o in options if o.visits[1].start - o.visits[0].start == timedelta(hours=24))
    series = series_book(
        participant=volunteer, option=exact, actor=cast.actor_of(coordinator, study)
    )
    one, two, three = series.visits.order_by("number")
    assert two.planned.lower - one.planned.lower == timedelta(hours=24)
    dose = two.planned.lower + timedelta(minutes=50)
    assert timedelta(hours=20) <= three.planned.lower - dose <= timedelta(hours=28)
    local = [visit.planned.lower.astimezone(HALIFAX) for visit in (one, two)]
    moved = (local[1].hour * 60 + local[1].minute) - (local[0].hour * 60 + local[0].minute)
    assert moved == (60 if night == "spring" else -60)
    assert local[0].utcoffset() != local[1].utcoffset()


def test_same_clock_time_is_23_or_25_hours(
    night: str, volunteer: Participant, coordinator: Any, study: Any
) -> None:
    """Same clock time lies inside 22 to 26 hours, so it can be booked, and is shown as what it is."""
    asked = the_lab.wishes(*DAYS[night], not_earlier=time(9))
    option = the_lab.find(volunteer, asked)[0]
    by = timedelta(hours=1 if night == "autumn" else -1)
    later = tuple(the_lab.shifted(visit, by) for visit in option.visits[1:])
    same = replace(option, visits=(option.visits[0], *later))
    clocks = [row.start.astimezone(HALIFAX).strftime("%H:%M") for row in same.visits[:2]]
    assert clocks[0] == clocks[1]
    series_book(participant=volunteer, option=same, actor=cast.actor_of(coordinator, study))
    shown = series_shown(all_series(volunteer)[0], clock.now())
    gap = shown.visits[1].shown.gaps[0]
    assert gap.startswith("23 h 00 min" if night == "spring" else "25 h 00 min")
    assert any("clocks change" in note for note in shown.clock_notes)


def test_the_database_counts_elapsed_time(
    night: str, volunteer: Participant, coordinator: Any, study: Any
) -> None:
    """26 h 00 min by the clock is 25 or 27 hours: only what passed counts."""
    options = the_lab.find(volunteer, the_lab.wishes(*DAYS[night]), limit=40)
    exact = next(o for o in options if o.visits[1].start - o.visits[0].start == timedelta(hours=24))
    series = series_book(
        participant=volunteer, option=exact, actor=cast.actor_of(coordinator, study)
    )
    Visit.objects.filter(series=series, number=3).update(state="cancelled")
    one, two = series.visits.order_by("number")[:2]
    by_clock = one.planned.lower.astimezone(HALIFAX) + timedelta(hours=26)  # wall clock arithmetic
    start = by_clock.astimezone(UTC)
    length = two.planned.upper - two.planned.lower
    move = "UPDATE scheduling_visit SET planned = tstzrange(%s, %s) WHERE id = %s"

    def write() -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(move, [start, start + length, two.pk])
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")

    if night == "spring":
        assert start - one.planned.lower == timedelta(hours=25)
        write()
    else:
        assert start - one.planned.lower == timedelta(hours=27)
        with pytest.raises(IntegrityError, match="outside the spacing"):
            write()
