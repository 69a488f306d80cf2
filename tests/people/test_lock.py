"""A tablet locks, is unlocked by its person, and changes hands in two taps (field case F-61)."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.models import Device, DeviceClock, SignIn
from studylab.people.rules.devices import clock_is_wrong, clock_words, is_locked, lock_moment
from studylab.people.services.signatures import WrongPassword, check_password
from tests import cast
from tests.cast import PASSWORD, actor_of
from tests.people.tablets import LOCK_MINUTES, enrol, sign_in, take_over

NOON = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


class TestRules:
    @pytest.mark.parametrize(
        ("idle", "pressed", "locked"),
        [
            (4 * MINUTE + timedelta(seconds=59), False, False),
            (5 * MINUTE, False, True),
            (MINUTE, True, True),
        ],
    )
    def test_locked_by_idleness_or_by_a_press(
        self, idle: timedelta, pressed: bool, locked: bool
    ) -> None:
        at = NOON + idle
        pressed_at = at if pressed else None
        assert locked == is_locked(active_at=NOON, locked_at=pressed_at, lock_minutes=5, now=at)
        assert lock_moment(NOON, pressed_at, 5) == (at if pressed else NOON + 5 * MINUTE)

    @pytest.mark.parametrize(
        ("offset", "words", "wrong"),
        [(900, "right", False), (-90_000, "90 s slow", False), (420_000, "7 min fast", True)],
    )
    def test_a_wrong_clock_is_named(self, offset: int, words: str, wrong: bool) -> None:
        assert (clock_words(offset), clock_is_wrong(offset)) == (words, wrong)


class Tablet:
    """A named browser on which somebody is signed in since noon."""

    def __init__(self, study: Any, lead: Any, user: Any) -> None:
        self.study = study
        with clock.travel(NOON):
            self.device, self.browser = enrol(study, lead)
            sign_in(self.browser, user)

    def at(self, minutes: float, method: str, name: str, data: Any = None, **headers: str) -> Any:
        """Ask for a page so many minutes after noon."""
        page = name if name.startswith("/") else reverse(name)
        with clock.travel(NOON + minutes * MINUTE):
            return getattr(self.browser, method)(page, data or {}, headers=headers)

    @property
    def today(self) -> str:
        return reverse("today", args=[self.study.slug])


@pytest.fixture
def tablet(study: Any, lead: Any, experimenter: Any) -> Tablet:
    return Tablet(study, lead, experimenter)


@pytest.mark.django_db
@pytest.mark.database
class TestLock:
    def test_after_the_idle_time_nothing_is_shown_or_written(
        self, tablet: Tablet, study: Any
    ) -> None:
        assert tablet.at(4.9, "get", tablet.today).status_code == 200
        answer = tablet.at(9.95, "get", tablet.today)
        assert (answer.status_code, answer["Location"]) == (302, reverse("lock"))
        page = tablet.at(10, "get", "lock").content.decode()
        assert "Locked" in page
        assert study.short_title not in page
        sent = tablet.at(10, "post", reverse("deviation_add", args=[study.slug]), {"what": "x"})
        assert sent.status_code == 423
        assert "nothing was recorded" in sent.content.decode()
        scripted = {"Sec-Fetch-Mode": "cors"}
        assert tablet.at(10, "get", tablet.today, **scripted).status_code == 423

    def test_a_page_that_asks_by_itself_keeps_nobody_awake(
        self, tablet: Tablet, study: Any
    ) -> None:
        rows = reverse("today_rows", args=[study.slug])
        for minute in range(1, 5):
            assert tablet.at(minute, "get", rows).status_code == 200
            script = {"Sec-Fetch-Mode": "cors"}  # whatever page a script asks for
            assert tablet.at(minute, "get", tablet.today, **script).status_code == 200
        assert tablet.at(5, "get", rows, **{"HX-Request": "true"}).status_code == 423
        assert tablet.at(5, "get", tablet.today)["Location"] == reverse("lock")

    def test_somebody_who_types_is_there(self, tablet: Tablet) -> None:
        for minute in (4, 8, 12):
            told = tablet.at(minute, "post", "still_here", {"active": "1"}).json()
            assert told["locks_in"] == LOCK_MINUTES * 60
        assert tablet.at(16, "get", tablet.today).status_code == 200
        told = tablet.at(18, "post", "still_here", {"active": "0"}).json()
        assert told["locks_in"] == 3 * 60
        assert tablet.at(22, "post", "still_here", {"active": "1"}).json()["locks_in"] == 0
        assert tablet.at(22, "get", tablet.today).status_code == 302

    def test_the_clock_of_the_tablet_is_kept_beside_ours(self, tablet: Tablet) -> None:
        wrong = (NOON + 8 * MINUTE).isoformat()  # at 12:01 by the server: seven minutes fast
        tablet.at(1, "post", "still_here", {"active": "1", "device_at": wrong})
        device = Device.objects.get()
        assert device.clock_offset_ms == 7 * 60 * 1000
        tablet.at(2, "post", "still_here", {"device_at": "nonsense"})
        tablet.at(2, "post", "still_here", {"device_at": "2026-03-02T11:00:00"})  # of no zone
        device.refresh_from_db()
        assert device.clock_measured_at == NOON + MINUTE

    def test_f55_what_the_clock_did_is_kept_and_a_wrong_one_is_told(
        self, tablet: Tablet, lead: Any, client_of: Any, study: Any
    ) -> None:
        def compare(minute: float, ahead: float) -> None:
            shown = (NOON + (minute * 60 + ahead) * MINUTE / 60).isoformat()
            tablet.at(minute, "post", "still_here", {"active": "1", "device_at": shown})

        compare(1, -420)  # seven minutes slow
        compare(2, -421)  # what the network adds is no row
        compare(3, 1)  # somebody set it
        compare(4, 150)
        device = Device.objects.get()
        kept = DeviceClock.objects.filter(device=device).order_by("id")
        assert [one.offset_ms for one in kept] == [-420_000, 1_000, 150_000]
        boss, page = client_of(lead), reverse("device", args=[study.slug, device.uid])
        shown = boss.get(page).content.decode()
        assert "7 min slow" in shown
        assert "2 min fast" in shown
        home = reverse("home", args=[study.slug])
        assert "Its clock is 2 min fast" in boss.get(home).content.decode()
        assert "clock is off" in boss.get(reverse("devices", args=[study.slug])).content.decode()
        compare(5, 0)
        assert "Tablets with a wrong clock" not in boss.get(home).content.decode()

    def test_unlocking_leads_back_and_is_for_the_same_person(
        self, tablet: Tablet, experimenter: Any
    ) -> None:
        tablet.at(6, "get", tablet.today)
        wrong = tablet.at(7, "post", "unlock", {"password": "not the password"})
        assert wrong.status_code == 422
        assert f"not the password of {experimenter.name}" in wrong.content.decode()
        script = {"Accept": "application/json"}
        said = tablet.at(7, "post", "unlock", {"password": "wrong"}, **script)
        assert (said.status_code, "not the password" in said.json()["said"]) == (422, True)
        answer = tablet.at(7, "post", "unlock", {"password": PASSWORD})
        assert answer["Location"] == tablet.today
        assert tablet.at(11.5, "get", tablet.today).status_code == 200
        assert Event.objects.filter(action=Action.DEVICE_UNLOCKED).count() == 1

    def test_lock_now_locks_now(self, tablet: Tablet) -> None:
        tablet.at(1, "post", "lock_now", {"next": tablet.today})
        assert tablet.at(1, "get", tablet.today)["Location"] == reverse("lock")
        assert tablet.at(1, "post", "unlock", {"password": PASSWORD})["Location"] == tablet.today

    def test_many_wrong_passwords_close_it(self, tablet: Tablet) -> None:
        tablet.at(1, "post", "lock_now")
        for _ in range(10):
            tablet.at(2, "post", "unlock", {"password": "wrong"})
        assert tablet.at(2, "post", "unlock", {"password": PASSWORD}).status_code == 429

    def test_what_has_no_name_does_not_lock(self, client_of: Any, lead: Any, study: Any) -> None:
        browser = client_of(lead)
        with clock.travel(clock.now() + timedelta(minutes=100)):
            assert browser.get(reverse("home", args=[study.slug])).status_code == 200
            assert browser.get(reverse("lock")).status_code == 302


@pytest.mark.django_db
@pytest.mark.database
class TestChangeOfUser:
    @pytest.fixture
    def second(self, study: Any, tablet: Tablet, experimenter: Any) -> Iterator[Any]:
        """Another experimenter, who has used the tablet before."""
        user = cast.make_user("Sten Aldous")
        cast.join(user, study, Role.EXPERIMENTER)
        with clock.travel(NOON + MINUTE):
            tablet.browser.post(reverse("sign_out"))
            sign_in(tablet.browser, user)
            tablet.browser.post(reverse("sign_out"))
            sign_in(tablet.browser, experimenter)
        return user

    def test_name_and_password_are_enough(
        self, tablet: Tablet, second: Any, experimenter: Any, lead: Any
    ) -> None:
        page = tablet.at(2, "get", "change_user").content.decode()
        assert second.name in page
        assert experimenter.name in page
        assert lead.name not in page  # runs no visits, and never used it
        with clock.travel(NOON + 2 * MINUTE):
            answer = take_over(tablet.browser, second, next=tablet.today)
        assert answer["Location"] == tablet.today
        ended, now = SignIn.objects.order_by("-pk")[1], SignIn.objects.latest("pk")
        assert (ended.user, ended.ended_how) == (experimenter, SignIn.Ended.CHANGED)
        assert (now.user, now.device) == (second, tablet.device)

    def test_a_locked_tablet_can_change_hands(self, tablet: Tablet, second: Any) -> None:
        assert tablet.at(30, "get", "change_user").status_code == 200
        with clock.travel(NOON + 30 * MINUTE):
            assert take_over(tablet.browser, second).status_code == 302
        assert tablet.at(31, "get", tablet.today).status_code == 200

    def test_a_wrong_password_changes_nobody(
        self, tablet: Tablet, second: Any, experimenter: Any, lead: Any
    ) -> None:
        with clock.travel(NOON + 2 * MINUTE):
            assert take_over(tablet.browser, second, "wrong").status_code == 422
            assert take_over(tablet.browser, lead).status_code == 422  # not one of the list
        assert SignIn.objects.latest("pk").user == experimenter

    def test_no_list_without_a_named_tablet(self, second: Any) -> None:
        browser = Client()
        assert browser.get(reverse("change_user"))["Location"] == reverse("sign_in")
        assert take_over(browser, second)["Location"] == reverse("sign_in")
        assert second.name not in browser.get(reverse("sign_in")).content.decode()

    def test_a_signature_asks_its_own_secret(
        self, study: Any, experimenter: Any, clinician: Any
    ) -> None:
        """F-61: the clinician enters their password into the experimenter's session."""
        clinician.set_password("another harbour lantern 9")
        clinician.save()
        with pytest.raises(WrongPassword):
            check_password(
                actor=actor_of(experimenter, study), password="another harbour lantern 9",
                subject_type="event", subject_code="1",
            )  # fmt: skip

    def test_one_person_at_two_places_is_told_and_so_is_the_lead(
        self, tablet: Tablet, experimenter: Any, lead: Any, study: Any
    ) -> None:
        with clock.travel(NOON + 2 * MINUTE):
            _, other = enrol(study, lead, "Tablet room 3")
            sign_in(other, experimenter)
        told = tablet.at(3, "get", tablet.today).content.decode()
        assert "You are also signed in on Tablet room 3" in told
        office = Client()
        with clock.travel(NOON + 3 * MINUTE):
            office.force_login(lead)
            page = office.get(reverse("devices", args=[study.slug])).content.decode()
            assert "Signed in at two places" in page
            assert experimenter.name in page
            other.post(reverse("sign_ins"))
        assert tablet.at(4, "get", tablet.today)["Location"].startswith(reverse("sign_in"))
