"""An authenticator app in tests, written from RFC 6238 and RFC 4226 and sharing nothing with what it checks."""

import base64
import hashlib
import hmac
import time
from typing import Any

from django.test import Client
from django.urls import reverse

from tests.cast import PASSWORD


def code_of(secret: str, at: float | None = None, digits: int = 6) -> str:
    """Return what an app with this base32 secret shows at a second since 1970, by default now."""
    count = int((time.time() if at is None else at) // 30)
    digest = hmac.new(base64.b32decode(secret), count.to_bytes(8, "big"), hashlib.sha1).digest()
    start = digest[19] & 15
    number = int.from_bytes(digest[start : start + 4], "big") & 0x7FFFFFFF
    return str(number % 10**digits).zfill(digits)


def enrol(browser: Client, password: str = PASSWORD) -> str:
    """Add one-time codes as a person does, with the code of the step before; return the secret.

    So the codes of now and later stay unused.
    """
    secret = browser.get(reverse("totp_add")).context["secret"].replace(" ", "")
    sent = {"code": code_of(secret, time.time() - 30), "password": password}
    answer = browser.post(reverse("totp_add"), sent)
    assert answer.status_code == 302, answer.context["form"].errors
    return str(secret)


def password_first(browser: Client, user: Any, password: str = PASSWORD, **more: str) -> Any:
    """Send address and password."""
    return browser.post(reverse("sign_in"), {"username": user.email, "password": password, **more})


def recovery_codes_of(browser: Client) -> list[str]:
    """Return the recovery codes that the page shows."""
    return list(browser.get(reverse("recovery_codes")).context["codes"])
