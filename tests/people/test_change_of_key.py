"""A changed site's key: with the one of before as fallback everything still counts, without it nothing breaks."""

from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.selectors.devices import device_of_cookie
from studylab.people.selectors.invitations import invitation_of_secret
from tests.cast import actor_of
from tests.people.authenticators import code_of, enrol, password_first, recovery_codes_of
from tests.people.inviting import invite, secret_of
from tests.people.tablets import enrol as enrol_tablet

pytestmark = pytest.mark.django_db
STEP = reverse("mfa_authenticate")
OLD, NEW = "an old key " * 6, "the newest key of all " * 3


def keys(settings: Any, key: str, *before: str) -> None:
    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = key, list(before)


def step(user: Any, code: str) -> int:
    browser = Client()
    password_first(browser, user)
    return int(browser.post(STEP, {"code": code}).status_code)


def test_what_was_made_under_the_key_of_before_still_counts(
    settings: Any, clinician: Any, lead: Any, study: Any
) -> None:
    keys(settings, OLD)
    browser = Client()
    password_first(browser, clinician)
    secret = enrol(browser)
    recovery = recovery_codes_of(browser)
    device, tablet = enrol_tablet(study, lead)
    cookie = tablet.cookies[settings.DEVICE_COOKIE_NAME].value
    invited = invite(study, actor_of(lead, study))
    sent = secret_of(invited)

    keys(settings, NEW, OLD)
    assert browser.get(reverse("my_sign_in")).status_code == 200
    assert device_of_cookie(cookie) == device
    assert invitation_of_secret(sent) == invited
    assert secret_of(invited) == sent  # a mail tried again carries the link that opens
    assert step(clinician, recovery[0].replace(" ", "")) == 302
    said = StringIO()
    call_command("renew_second_steps", stdout=said)
    assert said.getvalue() == "2 second steps are sealed under the present key.\n"
    event = Event.objects.get(action=Action.SECOND_STEPS_SEALED)
    assert event.data == {"sealed": 2, "unreadable": 0}

    keys(settings, NEW)
    assert step(clinician, code_of(secret)) == 302
    assert step(clinician, recovery[1].replace(" ", "")) == 302
    assert browser.get(reverse("my_sign_in")).status_code == 200  # Django renewed the session
    assert device_of_cookie(cookie) is None
    assert invitation_of_secret(sent) is None


def test_without_the_key_of_before_what_cannot_be_read_is_counted(
    settings: Any, clinician: Any
) -> None:
    keys(settings, OLD)
    browser = Client()
    password_first(browser, clinician)
    secret = enrol(browser)
    keys(settings, NEW)
    said = StringIO()
    call_command("renew_second_steps", stdout=said)
    assert "0 second steps are sealed" in said.getvalue()
    assert "2 could not be read with any key" in said.getvalue()
    keys(settings, NEW, OLD)
    assert step(clinician, code_of(secret)) == 302
