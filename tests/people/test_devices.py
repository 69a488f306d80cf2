"""Tablets of the lab: named, revoked, and what was on one that is lost (field case F-59)."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.conf import settings
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Device, DevicePage, SignIn
from studylab.people.services.devices import device_revoke
from tests.cast import actor_of
from tests.people.tablets import enrol, sign_in

pytestmark = [pytest.mark.django_db, pytest.mark.database]
NOON = datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def test_a_lead_names_the_browser_in_hand(client_of: Any, study: Any, lead: Any) -> None:
    browser = client_of(lead)
    data = {"name": "Tablet  room 2", "lock_minutes": "5"}
    answer = browser.post(reverse("device_add", args=[study.slug]), data)
    cookie = answer.cookies[settings.DEVICE_COOKIE_NAME]
    assert (cookie["httponly"], cookie["samesite"]) == (True, "Lax")
    assert int(cookie["max-age"]) > 300 * 86400
    device = Device.objects.get()
    assert device.name == "Tablet room 2"
    assert cookie.value.rpartition(":")[0] not in str(device.__dict__)  # only a digest is kept
    assert SignIn.objects.get(user=lead).device == device
    assert "This browser is Tablet room 2" in browser.get(answer["Location"]).content.decode()
    again = browser.get(reverse("device_add", args=[study.slug]))
    assert again.status_code == 302


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"name": "tablet ROOM 2", "lock_minutes": "5"}, "Another device has this name"),
        ({"name": "Tablet 3", "lock_minutes": "0"}, "greater than or equal to 1"),
        ({"name": "Tablet 3", "lock_minutes": "31"}, "less than or equal to 30"),
        ({"name": " ", "lock_minutes": "5"}, "This field is required"),
    ],
)
def test_a_name_is_taken_once_and_a_lock_time_has_bounds(
    client_of: Any, study: Any, lead: Any, data: dict[str, str], words: str
) -> None:
    enrol(study, lead)
    answer = client_of(lead).post(reverse("device_add", args=[study.slug]), data)
    assert answer.status_code in (409, 422)
    assert words in answer.content.decode()
    assert Device.objects.count() == 1


def test_nobody_else_names_or_revokes(study: Any, lead: Any, experimenter: Any) -> None:
    device, _ = enrol(study, lead)
    with pytest.raises(NotAllowed):
        enrol(study, experimenter, "Mine")
    with pytest.raises(NotAllowed):
        device_revoke(device=device, reason="x", lost_at=None, actor=actor_of(experimenter, study))


@pytest.mark.parametrize("cookie", ["", "x", "abc:def", "y" * 500])
def test_a_cookie_of_somebody_s_own_making_is_no_device(
    study: Any, lead: Any, experimenter: Any, cookie: str
) -> None:
    enrol(study, lead)
    browser = Client()
    browser.cookies[settings.DEVICE_COOKIE_NAME] = cookie
    sign_in(browser, experimenter)
    assert SignIn.objects.get(user=experimenter).device is None


def test_a_session_of_a_tablet_is_good_on_that_tablet_only(
    study: Any, lead: Any, experimenter: Any
) -> None:
    _, browser = enrol(study, lead)
    sign_in(browser, experimenter)
    page = reverse("today", args=[study.slug])
    assert browser.get(page).status_code == 200
    thief = Client()
    thief.cookies[settings.SESSION_COOKIE_NAME] = browser.cookies[
        settings.SESSION_COOKIE_NAME
    ].value
    assert thief.get(page).status_code == 302
    assert browser.get(page).status_code == 302  # and ended for everybody
    assert SignIn.objects.get(user=experimenter).ended_how == SignIn.Ended.BROKEN


class TestLost:
    """F-59: two run sheets opened, lost at 12:10, revoked at 12:30, turned on afterwards."""

    @pytest.fixture
    def lost(self, study: Any, lead: Any, experimenter: Any) -> tuple[Device, Client]:
        with clock.travel(NOON):
            device, browser = enrol(study, lead)
            sign_in(browser, experimenter)
            browser.get(reverse("volunteers", args=[study.slug]))
        with clock.travel(NOON + timedelta(minutes=30)):
            device_revoke(
                device=device, reason="Left in the tram.", lost_at=NOON + timedelta(minutes=10),
                actor=actor_of(lead, study),
            )  # fmt: skip
        return device, browser

    def test_its_session_ends_at_once_and_it_is_told_to_empty_itself(
        self, lost: tuple[Device, Client], study: Any, experimenter: Any
    ) -> None:
        device, browser = lost
        entry = SignIn.objects.get(user=experimenter)
        assert (entry.ended_how, entry.ended_at) == ("revoked", NOON + timedelta(minutes=30))
        for page in (reverse("today", args=[study.slug]), reverse("sign_in"), "/"):
            answer = browser.get(page)
            assert answer.status_code == 410
            assert answer["Clear-Site-Data"] == '"cache", "storage"'
            text = answer.content.decode()
            assert "Tablet room 2 was revoked" in text
            assert experimenter.name not in text
        assert sign_in(browser, experimenter).status_code == 410
        device.refresh_from_db()
        assert device.emptied_at is not None

    def test_found_again_it_gets_a_new_name(
        self, lost: tuple[Device, Client], experimenter: Any
    ) -> None:
        _, browser = lost
        answer = browser.post(reverse("device_forget"))
        assert answer["Location"] == reverse("sign_in")
        assert sign_in(browser, experimenter).status_code == 302
        assert SignIn.objects.latest("pk").device is None

    def test_revoked_stays_revoked(
        self, lost: tuple[Device, Client], study: Any, lead: Any
    ) -> None:
        device, _ = lost
        with pytest.raises(Conflict):
            device_revoke(device=device, reason="x", lost_at=None, actor=actor_of(lead, study))
        for change in (
            {"revoked_at": None, "lost_at": None, "revoke_reason": ""},
            {"lost_at": NOON},
        ):
            with pytest.raises(IntegrityError, match="stays revoked"), transaction.atomic():
                Device.objects.filter(pk=device.pk).update(**change)

    def test_the_trail_says_who_and_why(self, lost: tuple[Device, Client], lead: Any) -> None:
        event = Event.objects.get(action=Action.DEVICE_REVOKED)
        assert (event.actor_id, event.reason) == (lead.pk, "Left in the tram.")
        assert event.data["sessions_ended"] == 1


@pytest.mark.parametrize(
    ("minutes", "reason", "words"),
    [
        (-90, "lost", "before the device was enrolled"),
        (60, "lost", "future"),
        (None, " ", "Say why"),
    ],
)
def test_a_loss_has_a_reason_and_a_possible_time(
    study: Any, lead: Any, minutes: int | None, reason: str, words: str
) -> None:
    with clock.travel(NOON):
        device, _ = enrol(study, lead)
        lost_at = None if minutes is None else NOON + timedelta(minutes=minutes)
        with pytest.raises(Refused, match=words):
            device_revoke(
                device=device, reason=reason, lost_at=lost_at, actor=actor_of(lead, study)
            )


def test_only_pages_with_records_are_noted_and_each_once(
    study: Any, lead: Any, experimenter: Any
) -> None:
    _, browser = enrol(study, lead)
    sign_in(browser, experimenter)
    for name in ("set_up", "people", "volunteers", "volunteers", "today", "today_rows"):
        assert browser.get(reverse(name, args=[study.slug])).status_code == 200
    noted = list(DevicePage.objects.order_by("page").values_list("page", "kind", "subject"))
    assert noted == [("today", "list", ""), ("volunteers", "list", "")]
