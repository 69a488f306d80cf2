"""Calendar feeds and a volunteer's appointments: what is in them, who can read them, and read back."""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError
from django.test import Client
from django.urls import reverse

from scheduling.models import Booking, CalendarFeed, Visit
from scheduling.selectors.feeds import feed_entries
from scheduling.selectors.options import move_options
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel, visit_move
from scheduling.services.feeds import feed_make
from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.models import Participant
from tests import cast
from tests.scheduling import lab as the_lab
from tests.scheduling.calendar.ical_reader import Part, instant, read

pytestmark = [pytest.mark.django_db, pytest.mark.database]
ClientOf = Callable[[Any], Client]
DAYS = the_lab.wishes("2026-11-24", "2026-11-29")
FEEDS = "/s/slide-story/calendar/feeds/"
# Words of a health record or of the substance; none may leave the house.
NEVER = re.compile(
    r"propranolol|placebo|capsule|dose|wait|cover|pulse|story|HT-|health", re.IGNORECASE
)


@pytest.fixture
def series(volunteer: Participant, booker: Actor) -> Any:
    return series_book(participant=volunteer, option=the_lab.find(volunteer, DAYS)[0], actor=booker)


def made(study: Any, booker: Actor, name: str = "Room 1") -> str:
    return reverse(
        "feed", args=[feed_make(study=study, resource=the_lab.room(name), actor=booker).token]
    )


@pytest.mark.usefixtures("series")
def test_a_feed_opens_after_a_change_of_the_sites_key(
    study: Any, booker: Actor, settings: Any
) -> None:
    address = made(study, booker)
    settings.SECRET_KEY_FALLBACKS, settings.SECRET_KEY = [settings.SECRET_KEY], "x" * 60
    assert Client().get(address).status_code == 200
    settings.SECRET_KEY_FALLBACKS = []
    assert Client().get(address).status_code == 404


def fetch(address: str) -> tuple[Any, Part]:
    answer = Client().get(address)
    assert answer.status_code == 200
    return answer, read(answer.content)


def events(calendar: Part) -> list[tuple[str, str, datetime]]:
    return [
        (event.text("SUMMARY"), event.text("STATUS"), instant(calendar, event, "DTSTART"))
        for event in calendar.all("VEVENT")
    ]


def moved(visit: Visit, booker: Actor) -> None:
    """Move a visit to the next time that differs."""
    found = move_options(visit=visit, followers=False, wishes=DAYS, now=clock.now())
    option = next(o for o in found.options if o.visits[0].start != visit.planned.lower)
    visit_move(visit=visit, option=option, reason="Asked to come later", actor=booker)


def test_a_room_read_back(study: Any, booker: Actor, series: Any) -> None:
    answer, calendar = fetch(made(study, booker))
    room = the_lab.room()
    booked = Booking.objects.filter(place__resource=room).order_by("during")
    assert {(s, at) for s, status, at in events(calendar)} >= {
        (f"Visit {row.visit.number}", row.during.lower) for row in booked[:1]
    }
    assert {event.text("LOCATION") for event in calendar.all("VEVENT")} == {"Room 1"}
    assert answer["Cache-Control"] == "no-store"
    assert answer["Content-Type"] == "text/calendar; charset=utf-8; method=PUBLISH"
    assert not NEVER.search(answer.content.decode())


@pytest.mark.parametrize("name", ["Helper Number1", "Cover", "Hatch", "Chair"])
def test_people_and_things_without_a_word_on_health(
    study: Any, booker: Actor, series: Any, name: str
) -> None:
    helper = the_lab.room("Helper Number1")
    if name == helper.name:
        with pytest.raises(Refused, match="no role in this study"):
            made(study, booker, name)
        cast.join(helper.user, study, Role.EXPERIMENTER)
    answer, calendar = fetch(made(study, booker, name))
    text = answer.content.decode().replace(f"X-WR-CALNAME:{name}", "")
    assert calendar.all("VEVENT")
    assert not NEVER.search(text)


def test_a_moved_visit_keeps_its_identity_and_counts_up(
    study: Any, booker: Actor, series: Any
) -> None:
    def first(visit: Visit) -> tuple[str, int, bool]:
        rows = feed_entries(the_lab.room("Room 1"), study, clock.now())
        (row,) = [
            row for row in rows if row.uid.startswith(f"{visit.uid}") and row.uid.endswith("-1")
        ]
        return row.uid, row.sequence, row.cancelled

    visit = series.visits.get(number=1)
    uid, sequence, _ = first(visit)
    moved(visit, booker)
    again = first(visit)
    assert (again[0], again[1]) == (uid, sequence + 1)
    series_cancel(series=series, reason="Exam week", actor=booker)
    assert first(visit) == (uid, sequence + 2, True)
    with clock.travel(the_lab.NOW + timedelta(days=90)):
        assert not feed_entries(the_lab.room("Room 1"), study, clock.now())


def test_other_studies_are_only_a_time(study: Any, booker: Actor, volunteer: Participant) -> None:
    other, people = the_lab.other_study()
    who = the_lab.ready_volunteer(other, people["clinician"], 42)
    series_book(
        participant=who, option=the_lab.find(who, DAYS)[0],
        actor=cast.actor_of(people["coordinator"], other),
    )  # fmt: skip
    _, calendar = fetch(made(study, booker))
    assert {event.text("SUMMARY") for event in calendar.all("VEVENT")} == {"Visit of another study"}
    assert not any(event.has("LOCATION") for event in calendar.all("VEVENT"))


class TestSecret:
    def test_shown_once_kept_as_a_digest_and_withdrawn(
        self, client_of: ClientOf, coordinator: Any, lab: None
    ) -> None:
        desk = client_of(coordinator)
        shown = desk.post(FEEDS, {"resource": the_lab.room().pk}).content.decode()
        (address,) = re.findall(r"http://testserver(/feeds/[^<]+)<", shown)
        feed = CalendarFeed.objects.get()
        assert feed.token_digest not in address
        assert address.split("/")[2][:20] not in desk.get(FEEDS).content.decode()
        assert "not yet" in desk.get(FEEDS).content.decode()
        assert Client().get(address).status_code == 200
        assert Client().head(address).status_code == 200
        assert "not yet" not in desk.get(FEEDS).content.decode()
        ending = reverse("calendar_feed_revoke", args=["slide-story", feed.uid])
        assert desk.post(ending, {"reason": ""}).status_code == 422
        assert desk.post(ending, {"reason": "Telephone lost"}).status_code == 302
        gone, never = Client().get(address), Client().get("/feeds/nonsense.ics")
        assert (gone.status_code, gone.content) == (never.status_code, never.content)
        assert gone["Cache-Control"] == "no-store"
        assert desk.post(ending, {"reason": "Again"}).status_code == 409
        assert list(
            Event.objects.filter(subject_type="feed")
            .order_by("id")
            .values_list("action", flat=True)
        ) == ["feed.made", "feed.revoked"]
        with pytest.raises(IntegrityError, match="make a new one"):
            CalendarFeed.objects.update(revoked_at=None)

    @pytest.mark.parametrize("how", ["letter", "case", "longer", "purpose"])
    def test_a_changed_secret_opens_nothing(
        self, study: Any, booker: Actor, lab: None, how: str
    ) -> None:
        address = made(study, booker)
        token = address.split("/")[2].removesuffix(".ics")
        wrong = {
            "letter": ("A" if token[0] != "A" else "B") + token[1:], "case": token.swapcase(),
            "longer": token + "A", "purpose": token[:-4] + "AAAA",
        }[how]  # fmt: skip
        assert Client().get(f"/feeds/{wrong}.ics").status_code == 404

    def test_it_closes_with_whoever_made_it_and_with_the_resource(
        self, study: Any, booker: Actor, coordinator: Any, lab: None
    ) -> None:
        address, other = made(study, booker), made(study, booker, "Room 2")
        type(the_lab.room()).objects.filter(name="Room 2").update(is_active=False)
        assert Client().get(other).status_code == 404
        assert Client().get(address).status_code == 200
        yesterday = the_lab.NOW.date() - timedelta(days=1)
        study.memberships.filter(user=coordinator).update(starts_on=yesterday, ends_on=yesterday)
        assert Client().get(address).status_code == 404

    def test_asked_too_often(self, study: Any, booker: Actor, lab: None, monkeypatch: Any) -> None:
        monkeypatch.setattr("scheduling.views.feeds.READS_AT_MOST", 2)
        monkeypatch.setattr("scheduling.views.feeds.MISSES_AT_MOST", 2)
        for address in (made(study, booker), "/feeds/nonsense.ics"):
            answers = [Client().get(address) for _ in range(3)]
            assert answers[1].status_code != 429
            assert (answers[2].status_code, answers[2]["Retry-After"]) == (429, "600")

    def test_one_makes_only_ones_own(
        self, client_of: ClientOf, experimenter: Any, study: Any, lab: None
    ) -> None:
        client, actor = client_of(experimenter), cast.actor_of(experimenter, study)
        assert "Nothing here is booked under your account" in client.get(FEEDS).content.decode()
        with pytest.raises(NotAllowed):
            feed_make(study=study, resource=the_lab.room(), actor=actor)
        type(the_lab.room()).objects.filter(name="Helper Number1").update(user=experimenter)
        assert client.post(FEEDS, {"resource": the_lab.room().pk}).status_code == 422
        assert (
            client.post(FEEDS, {"resource": the_lab.room("Helper Number1").pk}).status_code == 200
        )

    def test_a_feed_never_grows_in_queries(
        self, study: Any, booker: Actor, series: Any, django_assert_max_num_queries: Any
    ) -> None:
        address = made(study, booker, "Chair")
        with django_assert_max_num_queries(14):
            Client().get(address)


class TestAppointments:
    def get(self, client: Client, series: Any, status: int = 200) -> Any:
        args = ["slide-story", series.participant.code, series.uid]
        answer = client.get(reverse("series_appointments", args=args))
        assert answer.status_code == status
        return answer

    def test_published_then_moved_then_taken_back(
        self, client_of: ClientOf, coordinator: Any, series: Any, booker: Actor
    ) -> None:
        desk = client_of(coordinator)
        answer = self.get(desk, series)
        one = read(answer.content)
        assert not NEVER.search(answer.content.decode())
        assert [instant(one, event, "DTSTART") for event in one.all("VEVENT")] == [
            visit.planned.lower for visit in series.visits.all()
        ]
        assert {event.one("SEQUENCE")[1] for event in one.all("VEVENT")} == {"0"}
        assert "Halifax" in one.all("VEVENT")[0].text("DESCRIPTION")
        moved(series.visits.get(number=1), booker)
        two = read(self.get(desk, series).content)
        assert [event.one("SEQUENCE")[1] for event in two.all("VEVENT")] == ["1", "0", "0"]
        assert {e.one("UID")[1] for e in two.all("VEVENT")} == {
            e.one("UID")[1] for e in one.all("VEVENT")
        }
        series_cancel(series=series, reason="Exam week", actor=booker)
        series.refresh_from_db()
        back = self.get(desk, series)
        three = read(back.content)
        assert back["Content-Type"].endswith("method=CANCEL")
        assert three.one("METHOD")[1] == "CANCEL"
        assert [event.one("SEQUENCE")[1] for event in three.all("VEVENT")] == ["2", "1", "1"]
        assert {event.one("STATUS")[1] for event in three.all("VEVENT")} == {"CANCELLED"}

    def test_in_the_language_of_the_volunteer(
        self, client_of: ClientOf, coordinator: Any, series: Any
    ) -> None:
        Participant.objects.filter(pk=series.participant_id).update(language="fr-ca")
        (event, *_) = read(self.get(client_of(coordinator), series).content).all("VEVENT")
        assert event.text("SUMMARY") == "Rendez-vous 1"
        assert "24 novembre 2026" in event.text("DESCRIPTION")

    def test_nothing_for_another_volunteers_address(
        self, client_of: ClientOf, coordinator: Any, series: Any, study: Any, clinician: Any
    ) -> None:
        other = the_lab.ready_volunteer(study, clinician, 2)
        address = reverse("series_appointments", args=["slide-story", other.code, series.uid])
        assert client_of(coordinator).get(address).status_code == 404
