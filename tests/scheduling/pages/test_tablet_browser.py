"""In Chromium, on a named tablet whose clock is 7 minutes fast: the wait, the alarm's wording, and the lock."""

import json
import os
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.conf import settings as site
from django.test.testcases import LiveServerThread
from django.urls import reverse

from scheduling.models import StepRecord
from studylab.access import Role
from studylab.people.services.devices import device_enrol
from tests import cast
from tests.look.chromium import chromium, violations
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.tablets import KEY_GONE, UNSENT_GONE, Restartable, Site, Tablet

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SEVEN_MINUTES = timedelta(minutes=7)
TABLET = {"width": 820, "height": 1180}


def named_tablet(case: Case) -> str:
    """Return the cookie of a tablet of the lab."""
    lead = cast.make_user("Lia Chief")
    cast.join(lead, case.study, Role.LEAD)
    with case.now():
        made = device_enrol(
            study=case.study, name="Tablet room 2", lock_minutes=5, sign_in=None,
            actor=cast.actor_of(lead, case.study),
        )  # fmt: skip
    return made.cookie


def seconds_left(text: str) -> int:
    """Read "28:31 left"."""
    minutes, _, seconds = text.removesuffix(" left").partition(":")
    return int(minutes) * 60 + int(seconds)


def test_a_tablet_with_a_wrong_clock(dosed: Case, live_server: Any, settings: Any) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    user, code = dosed.users["experimenter"], dosed.participant.code
    target = dosed.dose.given_at + 30 * MINUTE
    sheet = reverse("visit", args=[dosed.study.slug, dosed.visit(2).uid])
    cookie = named_tablet(dosed)
    settings.CLOCK_OFFSET = dosed.t - datetime.now(UTC)

    def server_left() -> float:
        return (target - datetime.now(UTC) - settings.CLOCK_OFFSET).total_seconds()

    with chromium() as browser:
        context = browser.new_context(base_url=live_server.url, viewport=TABLET, has_touch=True)
        context.add_cookies(
            [{"name": site.DEVICE_COOKIE_NAME, "value": cookie, "url": live_server.url}]
        )
        page = context.new_page()
        page.clock.install(time=dosed.t + SEVEN_MINUTES)
        page.goto(reverse("sign_in"))
        page.get_by_label("E-mail address").fill(user.email)
        page.get_by_label("Password").fill(cast.PASSWORD)
        page.get_by_role("button", name="Sign in", exact=True).click()

        page.goto(sheet)
        bell = page.locator(".bell").first
        bell.wait_for()
        assert "pulse 30 min after the dose" in bell.inner_text()
        shown = seconds_left(bell.locator(".bell-count").inner_text())
        assert abs(shown - server_left()) <= 30  # the page may be slow, never seven minutes wrong

        bar = page.locator("#bell")
        assert "Sound is off" in bar.inner_text()
        assert "screen may sleep" in bar.inner_text()
        page.get_by_role("button", name="Alarm on").click()
        bar.get_by_text("Alarm is on.").wait_for()

        page.get_by_text("Something went differently").wait_for()
        page.locator("main").evaluate(
            "(main) => { const box = document.createElement('textarea'); box.id = 'typed'; main.append(box); }"
        )
        page.locator("#typed").fill("half a sentence")
        page.get_by_role("button", name="Lock", exact=True).click()
        page.get_by_role("heading", name="Locked").wait_for()
        page.locator(".lock-bells .bell").first.wait_for()
        text = page.content()
        assert code not in text
        assert code not in page.title()
        assert page.url.endswith(reverse("lock"))
        assert "half a sentence" not in text
        assert "pulse 30 min after the dose" in text
        assert violations(page, "light") == []
        page.get_by_label("Password of").fill("wrong")
        page.get_by_role("button", name="Unlock").click()
        page.get_by_text("This is not the password of").wait_for()
        page.get_by_label("Password of").fill(cast.PASSWORD)
        page.get_by_role("button", name="Unlock").click()
        page.locator("#typed").wait_for()
        assert page.locator("#typed").input_value() == "half a sentence"
        assert page.url.endswith(sheet)

        settings.CLOCK_OFFSET += 31 * MINUTE
        page.clock.fast_forward("31:00")  # nobody there: it locks by itself, and rings
        page.get_by_role("heading", name="Locked").wait_for()
        page.locator(".lock-bells .bell-rings").first.wait_for()
        assert code not in page.content()
        page.get_by_role("button", name="I heard it").first.click()
        assert page.locator(".lock-bells .bell-rings").count() == 0
        page.reload()  # the server holds it locked as well
        page.get_by_role("heading", name="Locked").wait_for()
        assert code not in page.content()


def kept_and_saved(tablet: Tablet, folder: Any) -> Any:
    """Keep two entries without network, let the tablet lock, and save its file from the locked page."""
    tablet.open()
    tablet.context.set_offline(True)
    tablet.page.goto(tablet.path + "?kept")
    tablet.press("Done", "settled")
    tablet.see("1 entry kept")
    tablet.pulse("64", "pulse_30")
    tablet.see("2 entries kept", "not yet sent")
    tablet.page.evaluate(KEY_GONE)
    tablet.page.goto(tablet.path + "?kept")
    tablet.see("This tablet is locked")
    tablet.page.get_by_text("finds no network any more").click()
    with tablet.page.expect_download() as saving:
        tablet.page.get_by_role("button", name="Save the file").click()
    file = folder / saving.value.suggested_filename
    saving.value.save_as(file)
    assert file.name.startswith("studylab-unsent-")
    assert "pulse" not in file.read_text()  # sealed
    assert len(json.loads(file.read_text())["rows"]) == 2
    return file


def taken_in(desk: Tablet, study: Any, file: Any) -> None:
    """Take the file in on another device, after looking at it."""
    desk.page.goto(reverse("unsent_file", args=[study.slug]))
    desk.page.get_by_label("File that the tablet saved").set_input_files(file)
    desk.page.get_by_role("button", name="Show what is in it").click()
    desk.see("Will be recorded.", "64 per minute")
    assert violations(desk.page, "light") == []
    desk.page.get_by_role("button", name="Record what is ticked").click()
    desk.see("2 recorded")


def test_a_tablet_without_network_for_good_hands_over_what_it_holds(
    dosed: Case, settings: Any, monkeypatch: Any, tmp_path: Any
) -> None:
    """Kept without network, saved from the locked page, taken in on another device, and sent later all the same: once."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    monkeypatch.setattr(LiveServerThread, "server_class", Restartable)
    monkeypatch.setitem(os.environ, "DJANGO_ALLOW_ASYNC_UNSAFE", "true")
    dosed.forward(30)
    site = Site(settings, dosed)
    try:
        with chromium() as browser:
            tablet = Tablet(browser, site, "experimenter", 7 * MINUTE)
            file = kept_and_saved(tablet, tmp_path)
            desk = Tablet(browser, site, "experimenter", timedelta(0), "Desk")
            taken_in(desk, dosed.study, file)
            tablet.context.set_offline(False)
            tablet.page.goto(tablet.path)
            tablet.until(UNSENT_GONE)
        (row,) = StepRecord.objects.filter(step="pulse_30")
        assert (row.value, row.time_uncertain, row.device) == (
            {"value": 64.0},
            True,
            "file of a tablet",
        )
        assert abs(row.occurred_at - dosed.t) < 2 * MINUTE
    finally:
        site.stop()
