"""A site that is restarted while it is used: no request fails, and nothing is written twice or lost."""

import http.client
import os
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from urllib.parse import urlencode, urlsplit
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from django.urls import reverse

from studylab.access import Role
from studylab.participants.models import Deviation
from tests import cast
from tests.processes import PATIENCE, until

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

USERS = 4
SECRET = (
    "x" * 32
)  # a browser's token against forged forms; any will do, as long as cookie and form agree


class Site:
    """A gunicorn as a site runs it, whose main process is known by its file."""

    def __init__(self, place: Path, port: int) -> None:
        self.note, self.log, self.port = place / "pid", place / "log", port

    @property
    def pid(self) -> int:
        return int(self.note.read_text())

    def booted(self) -> int:
        return len(re.findall("Booting worker", self.log.read_text()))

    def reload(self) -> None:
        """As after a change of settings: the same main process, other workers."""
        before = self.booted()
        os.kill(self.pid, signal.SIGHUP)
        until(lambda: self.booted() >= before + 2, self.log.read_text)

    def replace(self) -> None:
        """As for another version of the program: a new main process beside the old one, which then ends in order."""
        old, before = self.pid, self.booted()
        os.kill(old, signal.SIGUSR2)
        until(lambda: self.booted() >= before + 2, self.log.read_text)
        os.kill(old, signal.SIGTERM)
        until(lambda: not _lives(old), self.log.read_text)
        until(lambda: self.note.exists() and self.pid != old, self.log.read_text)


def _lives(pid: int) -> bool:
    """Whether a process runs; one that has ended and is not yet collected does not."""
    with suppress(ChildProcessError):
        os.waitpid(pid, os.WNOHANG)
    return Path(f"/proc/{pid}").exists()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    made = Site(tmp_path, port)
    server = urlsplit(os.environ["DATABASE_URL"])
    database = server._replace(path=f"/{connection.settings_dict['NAME']}").geturl()
    words = [
        "--bind",
        f"127.0.0.1:{port}",
        "--pid",
        str(made.note),
        "--error-logfile",
        str(made.log),
    ]
    words += [
        "--worker-class",
        "gthread",
        "--workers",
        "2",
        "--threads",
        "4",
        "--graceful-timeout",
        "20",
    ]
    # By its own script: a main process that was begun with -m cannot begin another one.
    with subprocess.Popen(
        [Path(sys.executable).with_name("gunicorn"), "studylab.wsgi:application", *words, "--no-control-socket"],
        cwd=settings.BASE_DIR, env={**os.environ, "DATABASE_URL": database}, stderr=subprocess.DEVNULL,
    ):  # fmt: skip
        try:
            until(lambda: made.log.exists() and made.booted() == 2)
            yield made
        finally:
            last = made.pid
            os.kill(last, signal.SIGTERM)
            until(lambda: not _lives(last))


class Person(threading.Thread):
    """Somebody who looks at pages and sends forms, one after the other, and keeps what was answered."""

    def __init__(self, site: Site, session: str, page: str, form: str) -> None:
        super().__init__(daemon=True)
        self.site, self.page, self.form = site, page, form
        self.cookies = (
            f"{settings.SESSION_COOKIE_NAME}={session}; {settings.CSRF_COOKIE_NAME}={SECRET}"
        )
        self.seen = 0
        self.written: list[str] = []
        self.wrong: list[str] = []
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.wait(0.1) and not self.wrong:
            status = self._ask("GET", self.page)
            self.seen += status == 200
            words = f"The lamp flickered, {uuid4()}."
            day = {"occurred_at": "2026-02-02T10:00"}
            sent = {
                "csrfmiddlewaretoken": SECRET,
                "form_key": uuid4(),
                "kind": "other",
                "what": words,
                **day,
            }
            if self._ask("POST", self.form, urlencode(sent)) == 302:
                self.written.append(words)

    def _ask(self, method: str, path: str, body: str | None = None) -> int:
        line = http.client.HTTPConnection("127.0.0.1", self.site.port, timeout=PATIENCE)
        kind = {"Content-Type": "application/x-www-form-urlencoded"} if body else {}
        try:
            line.request(method, path, body, {"Cookie": self.cookies, **kind})
            answer = line.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException) as problem:
            self.wrong.append(f"{method}: {problem!r}")
            return 0
        finally:
            line.close()
        if answer.status != (302 if body else 200):
            self.wrong.append(f"{method}: {answer.status} {text[:3000]!r}")
        return answer.status


@contextmanager
def people(site: Site) -> Iterator[list[Person]]:
    """Several people of one study at work."""
    study = cast.make_study()
    user = cast.make_user(cast.NAMES[Role.COORDINATOR])
    cast.join(user, study, Role.COORDINATOR)
    everybody = []
    for _ in range(USERS):
        browser = Client()
        browser.force_login(user)
        session = browser.cookies[settings.SESSION_COOKIE_NAME].value
        pages = (reverse(name, args=[study.slug]) for name in ("volunteers", "deviation_add"))
        everybody.append(Person(site, session, *pages))
    for person in everybody:
        person.start()
    try:
        yield everybody
    finally:
        for person in everybody:
            person.over.set()
        for person in everybody:
            person.join(PATIENCE)


def test_nobody_notices_that_the_site_is_restarted(site: Site) -> None:
    with people(site) as everybody:
        until(
            lambda: all(one.written or one.wrong for one in everybody),
            lambda: [one.wrong for one in everybody],
        )
        site.reload()
        site.replace()
        site.replace()
        count = [len(one.written) for one in everybody]
        until(
            lambda: all(
                len(one.written) > was or one.wrong
                for one, was in zip(everybody, count, strict=True)
            )
        )
    assert [one.wrong for one in everybody] == [[]] * USERS
    said = sorted(words for one in everybody for words in one.written)
    assert sorted(Deviation.objects.values_list("what", flat=True)) == said
    assert sum(one.seen for one in everybody) >= len(said)
