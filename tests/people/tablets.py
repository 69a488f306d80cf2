"""A tablet of the lab in tests: a browser that was named, and people who use it."""

from typing import Any

from django.conf import settings
from django.test import Client
from django.urls import reverse

from studylab.people.models import Device
from tests.cast import PASSWORD, actor_of

LOCK_MINUTES = 5


def enrol(study: Any, by: Any, name: str = "Tablet room 2") -> tuple[Device, Client]:
    """Name a new browser; nobody is signed in on it."""
    from studylab.people.services.devices import device_enrol

    made = device_enrol(
        study=study, name=name, lock_minutes=LOCK_MINUTES, sign_in=None, actor=actor_of(by, study)
    )
    browser = Client()
    browser.cookies[settings.DEVICE_COOKIE_NAME] = made.cookie
    return made.device, browser


def sign_in(browser: Client, user: Any) -> Any:
    """Sign in by e-mail address, as at the first time."""
    return browser.post(reverse("sign_in"), {"username": user.email, "password": PASSWORD})


def take_over(browser: Client, user: Any, password: str = PASSWORD, **more: Any) -> Any:
    """Change to somebody whom the tablet knows."""
    return browser.post(reverse("change_user"), {"person": user.pk, "password": password, **more})
