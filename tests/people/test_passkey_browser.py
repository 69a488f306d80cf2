"""In Chromium with a virtual authenticator: adding a passkey, signing in by it alone, and as the second step."""

from typing import Any

import pytest
from allauth.mfa.models import Authenticator

from studylab.people.models import SignIn
from tests.cast import PASSWORD
from tests.look.chromium import chromium, violations

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.browser, pytest.mark.slow]
KEY = {
    "protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True,
    "isUserVerified": True, "automaticPresenceSimulation": True,
}  # fmt: skip

INSIDE = "**/s/slide-story/**"


def open_browser(browser: Any, base: str) -> tuple[Any, Any, list[str]]:
    """Return a page at "localhost", where browsers allow passkeys over plain http, its authenticator, and complaints."""
    page = browser.new_context(base_url=base).new_page()
    said: list[str] = []
    page.on(
        "console",
        lambda one: said.append(one.text) if "Content Security Policy" in one.text else None,
    )
    page.on("pageerror", lambda one: said.append(str(one)))
    keys = page.context.new_cdp_session(page)
    keys.send("WebAuthn.enable")
    return page, keys, said


def password(page: Any, user: Any) -> None:
    page.goto("/sign-in/")
    page.fill("#id_username", user.email)
    page.fill("#id_password", PASSWORD)
    page.click("button:text-is('Sign in')")


def add_passkey(page: Any) -> None:
    page.click("text=Add a passkey")
    assert violations(page, "light") == []
    page.fill("#id_name", "My phone")
    page.fill("#id_password", PASSWORD)
    page.click("text=Make the passkey")
    page.wait_for_url("**/my-sign-in/recovery/")
    page.click("text=I keep them")
    page.wait_for_url(INSIDE)


def sign_out(page: Any) -> None:
    page.click("text=Sign out")
    page.wait_for_url("**/sign-in/**")


def test_a_passkey_from_adding_to_signing_in(
    live_server: Any, settings: Any, clinician: Any, study: Any
) -> None:
    settings.SECOND_STEP_WAIVED = False
    base = live_server.url.replace("127.0.0.1", "localhost")
    with chromium() as browser:
        page, keys, said = open_browser(browser, base)
        key = keys.send("WebAuthn.addVirtualAuthenticator", {"options": KEY})["authenticatorId"]
        password(page, clinician)
        page.wait_for_url("**/my-sign-in/")
        add_passkey(page)
        sign_out(page)

        page.click("text=Sign in with a passkey")
        page.wait_for_url(INSIDE)
        sign_out(page)

        password(page, clinician)
        page.wait_for_url("**/sign-in/second-step/")
        assert violations(page, "light") == []
        page.click("text=Use my passkey")
        page.wait_for_url(INSIDE)
        sign_out(page)

        # A finger that does not fit opens nothing, and the page says so.
        keys.send("WebAuthn.setUserVerified", {"authenticatorId": key, "isUserVerified": False})
        page.click("text=Sign in with a passkey")
        page.wait_for_selector("[data-passkey-said]:not([hidden])")
        assert "/sign-in/" in page.url
        assert said == []
    hows = list(SignIn.objects.filter(user=clinician).order_by("pk").values_list("how", flat=True))
    assert hows == [
        "key",
        "passkey",
        "key",
    ]  # the first by a password, to which the passkey was added
    row = Authenticator.objects.get(user=clinician, type="webauthn")
    assert row.data["name"] == "My phone"
    assert row.wrap().is_passwordless is True
