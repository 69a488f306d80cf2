"""What every answer tells the browser: OWASP ASVS 5.0.0, chapter 3.4 (browser security headers)."""

import re
from pathlib import Path

import pytest
from django.conf import settings
from django.test import Client

from studylab.headers import PERMISSIONS

STATIC = Path(settings.BASE_DIR) / "studylab" / "static" / "studylab"


@pytest.mark.urls("tests.look.site")
@pytest.mark.parametrize("path", ["/nothing/here/", "/bug/"])
def test_refusals_and_faults_carry_the_headers_too(path: str) -> None:
    _guarded(Client(raise_request_exception=False).get(path))


@pytest.mark.django_db
@pytest.mark.parametrize(
    "path", ["/sign-in/", "/my/", "/s/no-study/today/", "/static/studylab/app.css"]
)
def test_every_answer_carries_the_headers(path: str) -> None:
    _guarded(Client().get(path))


def _guarded(answer: object) -> None:
    headers = answer.headers  # type: ignore[attr-defined]
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy.split("; ")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] in ("same-origin", "no-referrer")
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert headers["Permissions-Policy"] == PERMISSIONS


# The script calls on the left; the name of the power in the Permissions Policy registry on the right.
POWERS = {
    r"getUserMedia|BarcodeDetector": "camera",
    r"clipboard\.write": "clipboard-write",
    r"clipboard\.read": "clipboard-read",
    r"geolocation": "geolocation",
    r"navigator\.wakeLock": "screen-wake-lock",
}


def test_what_our_scripts_use_is_allowed_and_nothing_more() -> None:
    scripts = "\n".join(path.read_text() for path in STATIC.rglob("*.js"))
    for call, power in POWERS.items():
        used = re.search(call, scripts) is not None
        assert f"{power}={'(self)' if used else '()'}" in PERMISSIONS, power
