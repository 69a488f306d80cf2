"""Rooms, people, hours and closures: services, pages, and what search sees of them."""

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from django.test import Client

from scheduling.models import Booking, Opening, Place, Resource
from scheduling.rules.openings import Hours
from scheduling.selectors.timelines import occupancy
from scheduling.services import resources as write
from scheduling.services.booking import series_book
from scheduling.services.outages import outage_add
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
ZONE = "America/Halifax"
WEEK = the_lab.wishes("2026-11-24", "2026-11-30")


@pytest.fixture
def leader(at_now: None, lead: Any, actor_of: Callable[[Any], Actor]) -> Actor:
    return actor_of(lead)


def add(leader: Actor, name: str = "Room 9", **changes: Any) -> Resource:
    values = {"kind": "lab room", "places": 1, "user": None} | changes
    return write.resource_add(name=name, timezone=ZONE, actor=leader, **values)


class TestServices:
    def test_several_places_are_several_bookable_places(self, leader: Actor) -> None:
        made = add(leader, "Chairs", kind="waiting chair", places=3)
        assert [place.index for place in made.places.all()] == [1, 2, 3]
        assert Event.objects.get(action="resource.changed").data["places"] == 3

    @pytest.mark.parametrize(
        ("changes", "field"),
        [
            ({"kind": " "}, "kind"),
            ({"name": ""}, "name"),
            ({"places": 0}, "places"),
            ({"places": 51}, "places"),
            ({"kind": "experimenter"}, "user"),
        ],
    )
    def test_what_is_wrong_is_named_at_its_field(
        self, leader: Actor, changes: dict[str, Any], field: str
    ) -> None:
        with pytest.raises(Refused) as refused:
            add(leader, **changes)
        assert refused.value.field == field
        assert not Resource.objects.exists()

    def test_names_are_unique(self, leader: Actor) -> None:
        add(leader)
        with pytest.raises(Conflict, match="Choose another name"):
            add(leader)

    def test_only_the_lead(self, leader: Actor, coordinator: Any, study: Any) -> None:
        with pytest.raises(NotAllowed):
            add(cast.actor_of(coordinator, study))

    def test_hours_are_replaced(self, leader: Actor) -> None:
        made = add(leader)
        write.opening_set(
            resource=made, rows=[Hours(0, time(8), time(12)), Hours(0, time(13), time(17))],
            actor=leader,
        )  # fmt: skip
        write.opening_set(resource=made, rows=[Hours(1, time(9), time(10))], actor=leader)
        assert list(Opening.objects.values_list("weekday", flat=True)) == [1]

    def test_overlapping_hours_are_refused(self, leader: Actor) -> None:
        rows = [Hours(2, time(8), time(12)), Hours(2, time(11), time(17))]
        with pytest.raises(Refused) as refused:
            write.opening_set(resource=add(leader), rows=rows, actor=leader)
        assert refused.value.field == "day_2"

    def test_hours_that_end_before_they_start(self, leader: Actor) -> None:
        with pytest.raises(Refused, match="before opening time"):
            write.opening_set(resource=add(leader), rows=[Hours(0, time(9), time(9))], actor=leader)

    def test_a_booked_place_is_never_taken_away(
        self, volunteer: Participant, booker: Actor, leader: Actor
    ) -> None:
        series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
        chairs = the_lab.room("Chair")
        write.resource_change(resource=chairs, name="Chair", places=2, user=None, actor=leader)
        assert chairs.places.count() == 2
        Booking.objects.filter(place__resource=chairs).update(
            place=Place.objects.get(resource=chairs, index=2)
        )
        with pytest.raises(Refused, match="was booked stays"):
            write.resource_change(resource=chairs, name="Chair", places=1, user=None, actor=leader)

    def test_retiring_names_the_visits_that_are_booked(
        self, volunteer: Participant, booker: Actor, leader: Actor
    ) -> None:
        series_book(participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker)
        with pytest.raises(RefusedWithReasons) as refused:
            write.resource_retire(resource=the_lab.room("Hatch"), actor=leader)
        assert refused.value.reasons == (f"{volunteer.code} visit 2",)

    def test_out_of_use_and_back(self, lab: None, leader: Actor) -> None:
        room = the_lab.room("Room 2")
        week = the_lab.NOW, the_lab.NOW + timedelta(days=7)
        write.resource_retire(resource=room, actor=leader)
        assert len(occupancy(*week).places["lab room"]) == 1
        write.resource_restore(resource=room, actor=leader)
        assert len(occupancy(*week).places["lab room"]) == 2

    def test_a_closure_takes_time_away_and_gives_it_back(self, lab: None, leader: Actor) -> None:
        room = the_lab.room()
        noon = datetime(2026, 11, 24, 16, tzinfo=UTC)  # 12:00 in Halifax
        (closure,) = outage_add(
            resources=[room], name=room.name, start=noon, end=noon + timedelta(hours=1), reason="Painter",
            actor=leader,
        )  # fmt: skip
        day = noon - timedelta(hours=12), noon + timedelta(hours=12)

        def opened() -> int:
            return len(occupancy(*day).places["lab room"][0].open)

        with_closure = opened()
        write.closure_remove(closure=closure, actor=leader)
        assert (with_closure, opened()) == (2, 1)

    def test_a_closure_needs_an_end_after_its_start(self, leader: Actor) -> None:
        at = the_lab.NOW
        for end in (at, at - timedelta(hours=1)):
            with pytest.raises(Refused) as refused:
                outage_add(resources=[], name="Lab", start=at, end=end, reason="x", actor=leader)
            assert refused.value.field == "end"


class TestClockChangeDays:
    """Opening hours are local: on 14 March and 1 November the same hours lie an hour elsewhere in UTC."""

    @pytest.mark.parametrize(
        ("day", "opens", "hours"),
        [
            (date(2027, 3, 13), datetime(2027, 3, 13, 11, tzinfo=UTC), 13),
            (date(2027, 3, 14), datetime(2027, 3, 14, 10, tzinfo=UTC), 13),
            (date(2026, 10, 31), datetime(2026, 10, 31, 10, tzinfo=UTC), 13),
            (date(2026, 11, 1), datetime(2026, 11, 1, 11, tzinfo=UTC), 13),
        ],
    )
    def test_seven_to_twenty(self, lab: None, day: date, opens: datetime, hours: int) -> None:
        start = datetime(day.year, day.month, day.day, 6, tzinfo=UTC)
        places = occupancy(start, start + timedelta(hours=22)).places["lab room"]
        assert places[0].open[0] == (opens, opens + timedelta(hours=hours))

    def test_a_place_open_round_the_clock_has_23_and_25_hours(self, leader: Actor) -> None:
        made = add(leader)
        rows = [Hours(day, time(0), time(23, 59)) for day in range(7)]
        write.opening_set(resource=made, rows=rows, actor=leader)
        for start, length in (
            (datetime(2027, 3, 14, 4, tzinfo=UTC), 23),
            (datetime(2026, 11, 1, 3, tzinfo=UTC), 25),
        ):
            end = start + timedelta(hours=length)
            (opened,) = occupancy(start, end).places["lab room"][0].open
            assert opened == (start, end - timedelta(minutes=1))
