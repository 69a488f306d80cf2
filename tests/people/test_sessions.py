"""What a sign-in's secret is, where it stands, and when it opens nothing any more."""

import math
from datetime import timedelta
from typing import Any

import pytest
from django.conf import settings as site
from django.contrib.auth.password_validation import CommonPasswordValidator, validate_password
from django.contrib.sessions.backends.base import VALID_KEY_CHARS
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.people.models import User
from studylab.people.views.devices import give_cookie
from tests.people.authenticators import password_first

pytestmark = pytest.mark.django_db
INSIDE = "my_sign_in"


@pytest.mark.shows("V-7.2.3")
def test_the_secret_has_more_than_128_random_bits(lead: Any) -> None:
    """Django draws each sign from `secrets`; so many of so many are what they are worth."""
    browser = Client()
    password_first(browser, lead)
    key = browser.cookies[site.SESSION_COOKIE_NAME].value
    assert set(key) <= set(VALID_KEY_CHARS)
    assert len(key) * math.log2(len(VALID_KEY_CHARS)) > 128


@pytest.mark.shows("V-7.4.1")
def test_after_signing_out_the_old_cookie_opens_nothing(lead: Any) -> None:
    browser, thief = Client(), Client()
    password_first(browser, lead)
    thief.cookies[site.SESSION_COOKIE_NAME] = browser.cookies[site.SESSION_COOKIE_NAME].value
    assert thief.get(reverse(INSIDE)).status_code == 200
    browser.post(reverse("sign_out"))
    assert thief.get(reverse(INSIDE)).status_code == 302


@pytest.mark.shows("V-7.2.4")
def test_a_secret_from_before_the_sign_in_is_not_taken_over(lead: Any) -> None:
    """Somebody who planted a session in a browser does not get in with it."""
    browser = Client()
    password_first(browser, lead)
    planted = browser.cookies[site.SESSION_COOKIE_NAME].value
    password_first(browser, lead)
    browser.post(reverse("sign_out"))
    browser.cookies[site.SESSION_COOKIE_NAME] = planted
    password_first(browser, lead)
    assert browser.cookies[site.SESSION_COOKIE_NAME].value != planted


@pytest.mark.shows("V-3.3.1", "V-3.3.2", "V-3.3.4")
def test_cookies_go_over_tls_only_to_this_site_and_to_no_script(lead: Any, settings: Any) -> None:
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = True  # as a site has it
    browser, named = Client(), HttpResponse()
    browser.get(reverse("sign_in"), secure=True)
    browser.post(reverse("sign_in"), {"username": lead.email, "password": "x"}, secure=True)
    password_first(browser, lead)
    give_cookie(named, "secret")
    found = [*browser.cookies.values(), *named.cookies.values()]
    assert {one.key for one in found} >= {site.SESSION_COOKIE_NAME, site.CSRF_COOKIE_NAME, site.DEVICE_COOKIE_NAME}  # fmt: skip
    for one in found:
        assert (one["secure"], one["httponly"], one["samesite"], one["path"], one["domain"]) == (
            True, True, "Lax", "/", "",
        ), one.key  # fmt: skip


@pytest.mark.shows("V-6.2.4")
def test_common_passwords_are_refused_whatever_their_length(lead: Any) -> None:
    assert len(CommonPasswordValidator().passwords) > 3000
    with pytest.raises(ValidationError) as refusal:
        validate_password("password1234", lead)
    assert "password_too_common" in {one.code for one in refusal.value.error_list}


@pytest.mark.shows("V-6.2.10")
def test_nobody_must_change_a_password_by_the_calendar(lead: Any) -> None:
    later = clock.now() + timedelta(days=3 * 365)
    with clock.travel(later):
        answer = password_first(Client(), lead)
        assert answer.status_code == 302
        assert "password" not in answer["Location"]
    assert not User.objects.get(pk=lead.pk).must_change_password
