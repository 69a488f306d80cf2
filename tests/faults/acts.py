"""What somebody does by sending a form, and what they heard of it: the ledger that the record is compared with."""

import http.client
import threading
from dataclasses import dataclass, field
from enum import Enum
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

from django.conf import settings
from django.test import Client

_STILL = b"Your first click is still being worked on"
_CSRF = "c" * 32
PATIENCE = 60


class Heard(Enum):
    """What the browser shows in the end."""

    DONE = "done"  # sent on to another page: acknowledged
    REFUSED = "refused"
    STILL = "still"  # the first click is being worked on
    NOTHING = "nothing"  # broken off, or "something broke here"


@dataclass
class Act:
    """One form, sent with the same one-time key however often."""

    kind: str
    about: Any  # the key of whom or what it is about
    path: str
    data: dict[str, Any]
    cookie: str
    heard: list[Heard] = field(default_factory=list)
    said: str = ""

    def __post_init__(self) -> None:
        self.data = {**self.data, "form_key": str(uuid4()), "csrfmiddlewaretoken": _CSRF}

    @property
    def acknowledged(self) -> bool:
        """Whether somebody was told that it is done."""
        return Heard.DONE in self.heard

    def send(self, port: int) -> Heard:
        """Send the form, as a click and as a reload do; never raises."""
        self.heard.append(self._sent(port))
        return self.heard[-1]

    def _sent(self, port: int) -> Heard:
        try:
            status, to, body = self._ask(port, "POST", self.path, urlencode(self.data, doseq=True))
        except (OSError, http.client.HTTPException):
            return Heard.NOTHING
        self.said = f"{status} {to} {body[-3000:]!r}"
        if status >= 500:
            return Heard.NOTHING
        if status in (302, 303):
            return Heard.DONE
        return Heard.STILL if _STILL in body else Heard.REFUSED

    def _ask(self, port: int, method: str, path: str, form: str = "") -> tuple[int, str, bytes]:
        server = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        try:
            server.request(method, path, form, {
                "Content-Type": "application/x-www-form-urlencoded",
                "Cookie": f"{settings.SESSION_COOKIE_NAME}={self.cookie}; {settings.CSRF_COOKIE_NAME}={_CSRF}",
            })  # fmt: skip
            answer = server.getresponse()
            return answer.status, answer.headers.get("Location", ""), answer.read()
        finally:
            server.close()


def session_of(user: Any) -> str:
    """Sign somebody in and return their cookie."""
    client = Client()
    client.force_login(user)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


class Clicks:
    """Acts that are sent at the same time, each by a thread of its own."""

    def __init__(self, acts: list[Act], port: int) -> None:
        self.acts = acts
        self._threads = [threading.Thread(target=act.send, args=[port]) for act in acts]
        for thread in self._threads:
            thread.start()

    def end(self) -> list[Heard]:
        """Wait until each has heard something, or that there is nothing to hear; return what."""
        for thread in self._threads:
            thread.join(PATIENCE + 10)
            assert not thread.is_alive()
        return [act.heard[-1] for act in self.acts]
