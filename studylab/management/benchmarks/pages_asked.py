"""Which pages the benchmark `pages` asks for, and asking a real gunicorn for them as many people at once.

`python -m studylab.management.benchmarks.pages_asked REQUESTS` measures the site of the present database, which holds a
large demonstration, and prints the figures as JSON.
"""

import http.client
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import django

if TYPE_CHECKING:
    from studylab.studies.models import Study

PEOPLE = 32  # at once, spread over the roles
PATIENCE = 120
EMPTY = "empty"

# What each role looks at; the name of a page -> the name of its address and the kind of object in it. Every page is
# asked for by everybody of its roles, so that busy pages are asked for most.
PAGES = {
    "front": ("home", ""), "today": ("today", ""), "list": ("volunteers", ""), "volunteer": ("volunteer", "code"),
    "assessment": ("assessment", "code"), "sign_off": ("sign_off_queue", ""), "calendar": ("calendar", ""),
    "search": ("series_book", "booking"), "dispensary": ("dispensary", ""), "visit": ("visit", "uid"),
    "record": ("record", ""), "messages": ("messages", ""), EMPTY: ("password_change", ""),
}  # fmt: skip
ROLES = {
    "coordinator": ("front", "list", "volunteer", "search", "calendar", "messages", EMPTY),
    "experimenter": ("front", "today", "visit", "volunteer", EMPTY),
    "clinician": ("front", "sign_off", "assessment", "volunteer", EMPTY),
    "pharmacist": ("front", "dispensary", EMPTY),
    "lead": ("front", "record", "calendar", "list", EMPTY),
    "monitor": ("front", "record", "volunteer", EMPTY),
}


@dataclass(frozen=True, slots=True)
class Objects:
    """The volunteer and the visit whose pages are asked for, and somebody who can be booked."""

    study: "Study"
    code: str
    uid: str
    booking: str

    def address(self, page: str) -> str:
        """Return the address of a page."""
        from django.urls import reverse

        name, kind = PAGES[page]
        if page == EMPTY:
            return reverse(name)
        more = {"uid": self.uid} if kind == "uid" else {"code": getattr(self, kind)} if kind else {}
        return reverse(name, kwargs={"study": self.study.slug, **more})


def busiest() -> Objects:
    """Return the objects of the study with the most volunteers."""
    from django.db.models import Count, Exists, OuterRef

    from scheduling.models import Series, Visit
    from screening.models import SignOff
    from studylab import clock
    from studylab.studies.models import Study

    study = Study.objects.annotate(n=Count("participants")).order_by("-n")[0]
    visit = (
        Visit.objects.filter(participant__study=study, state="running")
        .select_related("participant")
        .first()
    )
    signed = SignOff.objects.filter(
        participant=OuterRef("pk"), decision="eligible", valid_until__gt=clock.now()
    )
    booked = Series.objects.filter(participant=OuterRef("pk"))
    free = (
        study.participants.filter(Exists(signed), ~Exists(booked), status="active")
        .order_by("-id")
        .first()
    )
    if visit is None or free is None:
        raise SystemExit(
            "Nobody is in a visit or can be booked: load a large demonstration of today first."
        )
    return Objects(study, visit.participant.code, str(visit.uid), free.code)


class Person(threading.Thread):
    """Somebody who opens the pages of a role one after the other, over a connection that stays."""

    def __init__(self, port: int, session: str, addresses: list[str], times: int) -> None:
        super().__init__(daemon=True)
        self.port, self.session, self.addresses, self.times = port, session, addresses, times
        self.wrong = ""

    def run(self) -> None:
        """Ask, and note the first answer that is no page."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        for turn in range(self.times):
            address = self.addresses[turn % len(self.addresses)]
            try:
                line.request("GET", address, headers={"Cookie": self.session})
                answer = line.getresponse()
                answer.read()
            except (OSError, http.client.HTTPException) as problem:
                self.wrong = f"{address}: {problem!r}"
                return
            if answer.status != 200:
                self.wrong = f"{address} answered {answer.status}."
                return
        line.close()


@contextmanager
def _serving(log: Path) -> Iterator[int]:
    """Run gunicorn as a site does; its log has a line for each request with the microseconds that it took."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [
        "--bind",
        f"127.0.0.1:{port}",
        "--workers",
        str(max(2, os.cpu_count() or 2)),
        "--threads",
        "4",
    ]
    words += ["--worker-class", "gthread", "--keep-alive", "30", "--no-control-socket"]
    words += ["--access-logfile", str(log), "--access-logformat", "%(D)s %(U)s"]
    program = Path(sys.executable).with_name("gunicorn")
    with subprocess.Popen(
        [program, "studylab.wsgi:application", *words], stderr=subprocess.DEVNULL
    ) as server:
        try:
            _await(port)
            yield port
        finally:
            server.terminate()


def _await(port: int) -> None:
    over = time.monotonic() + PATIENCE
    while True:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        try:
            line.request("GET", "/healthz/live")
            if line.getresponse().status == 200:
                return
        except OSError:
            if time.monotonic() > over:
                raise
            time.sleep(0.2)
        finally:
            line.close()


def measure(times: int) -> dict[str, list[float]]:
    """Return the milliseconds that each answer took in the server, by page; each person asks `times` pages."""
    from django.conf import settings
    from django.test import Client

    from studylab.people.models import User

    what, crowd = busiest(), []
    roles = list(ROLES)
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "log"
        with _serving(log) as port:
            for number in range(PEOPLE):
                role = roles[number % len(roles)]
                browser = Client()
                browser.force_login(User.objects.get(email=f"{role}@harbour.example"))
                session = f"{settings.SESSION_COOKIE_NAME}={browser.cookies[settings.SESSION_COOKIE_NAME].value}"
                pages = [what.address(page) for page in ROLES[role]]
                crowd.append(
                    Person(
                        port,
                        session,
                        pages[number // len(roles) :] + pages[: number // len(roles)],
                        times,
                    )
                )
            for person in crowd:
                person.start()
            for person in crowd:
                person.join()
        wrong = [person.wrong for person in crowd if person.wrong]
        if wrong:
            raise SystemExit(wrong[0])
        return _taken(log.read_text(), {what.address(page): page for page in PAGES})


def _taken(text: str, pages: dict[str, str]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = defaultdict(list)
    for micros, path in re.findall(r"^(\d+) (\S+)$", text, re.MULTILINE):
        if path in pages:
            found[pages[path]].append(int(micros) / 1000)
    return found


if __name__ == "__main__":
    django.setup()
    print(json.dumps(measure(int(sys.argv[1]))))
