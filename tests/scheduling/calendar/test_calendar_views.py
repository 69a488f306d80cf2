"""The calendar's lanes and filters, and a time pointed at: what comes of it and what is refused."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Closure, Place, Visit
from scheduling.selectors.calendar_lanes import wrapped
from scheduling.selectors.moves import option_at
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.scheduling import lab as the_lab
from tests.scheduling.calendar.test_calendar_page import drawing, html_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
DAYS = the_lab.wishes("2026-11-24", "2026-11-29")


@pytest.fixture
def series(volunteer: Participant, booker: Actor) -> Any:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, DAYS)[0], actor=booker)


def lanes(html: str) -> list[str]:
    names = [text for text in drawing(html).iter("text") if text.get("class") == "cal-lane-name"]
    return [" ".join(span.text or "" for span in text) for text in names]


def labels(html: str) -> list[str]:
    return [link.get("aria-label", "") for link in drawing(html).iter("a")]


def test_lanes_by_volunteer_by_person_and_by_room(
    client_of: ClientOf, coordinator: Any, series: Any, volunteer: Participant
) -> None:
    client = client_of(coordinator)
    by_volunteer = html_of(client, "?day=2026-11-25&by=volunteers")
    assert lanes(by_volunteer) == [volunteer.code]
    assert {" waits, " in label for label in labels(by_volunteer)} == {True, False}
    assert 'cal-turnaround"' not in by_volunteer.split("cal-key")[0].replace("url(#cal-hatch)", "")
    assert "Room 1" not in lanes(html_of(client, "?day=2026-11-25&by=people"))
    assert "Helper Number1" in lanes(html_of(client, "?day=2026-11-25&by=people"))
    rooms = lanes(html_of(client, "?day=2026-11-25&by=rooms"))
    assert rooms == ["Room 1", "Room 2", "Chair, place 1", "Chair, place 2", "Chair, place 3"]


def test_filters_narrow_drawing_and_list(
    client_of: ClientOf, coordinator: Any, series: Any, volunteer: Participant, study: Any,
    clinician: Any, booker: Actor,
) -> None:  # fmt: skip
    other = the_lab.ready_volunteer(study, clinician, 2)
    series_book(participant=other, option=the_lab.find(other, DAYS)[0], actor=booker)
    client = client_of(coordinator)
    html = html_of(client, f"?week=2026-W48&code={other.code}&visit=2")
    assert {label.split(" ")[4] for label in labels(html)} == {other.code}
    assert all(" visit 2" in label for label in labels(html))
    assert f"{volunteer.code}</a>" not in html
    assert "Show everything" in html
    room = html_of(client, f"?day=2026-11-24&by=all&resource={the_lab.room('Room 2').pk}")
    assert lanes(room) == ["Room 2"]


@pytest.mark.parametrize(
    ("query", "words"),
    [("by=moon", "Lanes"), ("visit=9", "Visit"), ("visit=x", "Visit"), ("resource=999999", "Room, person")],
)  # fmt: skip
def test_wrong_filters_are_named(
    client_of: ClientOf, coordinator: Any, lab: None, query: str, words: str
) -> None:
    assert words in html_of(client_of(coordinator), f"?week=2026-W48&{query}", 422)


def test_names_of_lanes_break_between_words() -> None:
    assert wrapped("Lighthouse room", 92) == ["Lighthouse", "room"]
    assert wrapped("Room 1", 92) == ["Room 1"]
    assert len(wrapped("A room with a very long name over many lines", 92)) == 3


def rooms_of(option: Any) -> set[int]:
    places = [
        ref.place_id for visit in option.visits for row in visit.segments for ref in row.places
    ]
    rows = Place.objects.filter(pk__in=places, resource__kind="lab room")
    return set(rows.values_list("resource_id", flat=True))


class TestPointedAt:
    def url(self, visit: Visit, at: str) -> str:
        args = ["slide-story", visit.participant.code, visit.uid]
        return f"{reverse('visit_move_to', args=args)}?at={at}"

    def test_a_free_time_leads_to_before_and_after(
        self, client_of: ClientOf, coordinator: Any, series: Any
    ) -> None:
        visit = series.visits.get(number=1)
        at = visit.planned.lower + timedelta(minutes=15)
        client = client_of(coordinator)
        answer = client.get(self.url(visit, f"{at:%Y-%m-%dT%H:%M}Z"))
        assert "/move/confirm/" in answer["Location"]
        html = client.get(answer["Location"]).content.decode()
        assert "07:15" in html
        visit.refresh_from_db()
        assert visit.planned.lower == at - timedelta(minutes=15)  # nothing was written

    def test_a_drop_on_another_rooms_lane_asks_for_that_room(
        self, client_of: ClientOf, coordinator: Any, series: Any
    ) -> None:
        visit, now = series.visits.get(number=1), clock.now()
        at, two = visit.planned.lower + timedelta(minutes=15), the_lab.room("Room 2")
        found = option_at(visit, at, now, two)
        assert found.option is not None
        assert rooms_of(found.option) == {two.pk}
        assert not found.elsewhere
        assert rooms_of(option_at(visit, at, now, the_lab.room()).option) == {the_lab.room().pk}
        during = span(at + timedelta(minutes=30), at + timedelta(minutes=45))
        Closure.objects.create(resource=two, during=during, reason="Painters")
        client = client_of(coordinator)
        answer = client.get(f"{self.url(visit, f'{at:%Y-%m-%dT%H:%M}Z')}&on={two.pk}")
        html = client.get(answer["Location"]).content.decode()
        assert "Room 2 cannot be had at that time. Below it is at another lab room." in html
        wrong = client.get(f"{self.url(visit, f'{at:%Y-%m-%dT%H:%M}Z')}&on=999999")
        assert wrong.status_code == 422

    def test_a_move_beyond_the_spacing_takes_the_later_visits_along(self, series: Any) -> None:
        visit = series.visits.get(number=1)
        at = visit.planned.lower + timedelta(days=2)
        found = option_at(visit, at, clock.now())
        assert found.option is not None
        assert [row.number for row in found.option.visits] == [1, 2, 3]
        assert found.option.visits[0].start == at

    def test_a_time_that_cannot_be_says_why(
        self, client_of: ClientOf, coordinator: Any, series: Any
    ) -> None:
        visit, client = series.visits.get(number=3), client_of(coordinator)
        night = visit.planned.lower.replace(hour=6, minute=0)
        answer = client.get(self.url(visit, f"{night:%Y-%m-%dT%H:%M}Z"), follow=True)
        html = answer.content.decode()
        assert "Visit 3 cannot begin on 26 November at 02:00." in html
        assert answer.redirect_chain[0][0].split("?")[0].endswith("/move/")
        past = client.get(self.url(visit, "2026-11-01T12:00Z"), follow=True)
        assert "That time has passed." in past.content.decode()
        Visit.objects.filter(pk=visit.pk).update(state="cancelled")
        gone = option_at(Visit.objects.get(pk=visit.pk), night, clock.now())
        assert gone.why == ("It is cancelled.",)

    @pytest.mark.parametrize("at", ["", "soon", "2026-11-25T10:00", "9999-99-99"])
    def test_what_is_no_time(
        self, client_of: ClientOf, coordinator: Any, series: Any, at: str
    ) -> None:
        answer = client_of(coordinator).get(self.url(series.visits.get(number=1), at))
        assert answer.status_code == 422
        assert "is not a time to move to" in answer.content.decode()

    def test_who_may_not(self, client_of: ClientOf, experimenter: Any, series: Any) -> None:
        client = client_of(experimenter)
        assert (
            client.get(self.url(series.visits.get(number=1), "2026-11-25T10:00Z")).status_code
            == 403
        )
        assert "data-move" not in html_of(client, "?week=2026-W48")

    def test_either_reading_of_a_doubled_hour_is_its_own_instant(self) -> None:
        """The drawing sends UTC, so 01:30 twice on 1 November 2026 in Halifax is 04:30 and 05:30 UTC."""
        from scheduling.views.calendar import _instant

        assert _instant("2026-11-01T04:30:00.000Z") == datetime(2026, 11, 1, 4, 30, tzinfo=UTC)
        assert _instant("2026-11-01T01:30:00-04:00") == datetime(2026, 11, 1, 5, 30, tzinfo=UTC)
