"""In Chromium: a page warns before its sign-in ends because nobody did anything, and says so when it has ended."""

from datetime import timedelta
from typing import Any

import pytest

from studylab.people.models import SignIn
from tests.look.chromium import chromium, violations
from tests.people.test_passkey_browser import open_browser, password

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.browser, pytest.mark.slow]
IDLE = 8  # seconds instead of an hour; the page warns half of it before


def test_it_warns_stays_by_a_press_and_ends_when_left_alone(
    live_server: Any, settings: Any, lead: Any, study: Any
) -> None:
    settings.SIGN_IN_IDLE = timedelta(seconds=IDLE)
    with chromium() as browser:
        page, _keys, said = open_browser(browser, live_server.url)
        password(page, lead)
        page.wait_for_url("**/s/slide-story/**")
        page.wait_for_selector("text=You are about to be signed out")
        assert violations(page, "light") == []
        page.click("text=Stay signed in")
        page.wait_for_selector(".idle-warning", state="detached")

        page.wait_for_selector(
            "text=Nothing on this page can be sent any more", timeout=IDLE * 4000
        )
        assert page.locator("text=Stay signed in").count() == 0
        page.click("text=Sign in again")
        page.wait_for_url("**/sign-in/?next=/s/slide-story/**")
        assert said == []
    assert SignIn.objects.get().ended_how == SignIn.Ended.IDLE
