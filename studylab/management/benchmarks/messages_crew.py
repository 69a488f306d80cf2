"""What `messages.send` measures: reminders of booked visits, sent by real workers over a real broker.

`python -m studylab.management.benchmarks.messages_crew SIZE` prints the seconds as JSON; it fills the database it is
given, so that should be an empty one. The knocks pass through a Redis of its own where `redis-server` is installed,
else through files.
"""

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import django

WORKERS = 4
VOLUNTEERS = 6  # each with three visits; every visit is reminded of many times
WARM = 40  # messages before it counts: a site's workers have read words and protocol long ago
PATIENCE = 600.0  # seconds until workers are up, or until everything is sent


@dataclass(frozen=True, slots=True)
class Mails:
    """Where the mails of a benchmark go."""

    host: str
    port: int
    sender: str

    def settings(self) -> dict[str, Any]:
        """Return it as settings of this process."""
        return {
            "SMTP_HOST": self.host, "SMTP_PORT": self.port, "SMTP_SECURITY": "none", "SMTP_USER": "",
            "MAIL_FROM": self.sender, "MAIL_BOUNCES": "", "TEXT_URL": "",
        }  # fmt: skip

    def environment(self) -> dict[str, str]:
        """Return it as the environment of another process."""
        return {
            "STUDYLAB_SMTP_HOST": self.host, "STUDYLAB_SMTP_PORT": str(self.port),
            "STUDYLAB_SMTP_SECURITY": "none", "STUDYLAB_SMTP_USER": "", "STUDYLAB_MAIL_FROM": self.sender,
            "STUDYLAB_MAIL_BOUNCES": "", "STUDYLAB_TEXT_URL": "",
        }  # fmt: skip


def book(volunteers: int) -> None:
    """Book series for so many volunteers of an invented lab."""
    from scheduling.services.booking import series_book
    from studylab import clock
    from studylab.management.benchmarks.booking_crowd import _crowd

    now = clock.now()
    begin = datetime(now.year, now.month, now.day, 16, tzinfo=UTC) + timedelta(
        days=7 - now.weekday()
    )
    lab, chosen = _crowd(volunteers, begin)
    with clock.travel(begin):
        for who, option in chosen:
            series_book(participant=who, option=option, actor=lab.actor("coordinator"))


def let_be_due(size: int, what: str) -> None:
    """Queue `size` reminders of the booked visits that are due now, whatever the volunteers' quiet hours say."""
    from scheduling.models import Visit
    from studylab import clock
    from studylab.outbox.models import Message

    now = clock.now()
    visits = list(Visit.objects.select_related("participant").order_by("id"))
    Message.objects.bulk_create(
        Message(
            kind="visit_reminder", study_id=visit.participant.study_id, participant=visit.participant,
            about=f"visit:{visit.pk}", key=f"visit:{visit.pk}:{visit.revision}:{what} {number}",
            queued_at=now, due_at=now, next_at=now,
            useful_until=now + timedelta(hours=6), matters_until=now + timedelta(hours=6),
        )
        for number, visit in ((number, visits[number % len(visits)]) for number in range(size))
    )  # fmt: skip


def send_here() -> None:
    """Send in this process whatever is due."""
    from studylab import clock
    from studylab.outbox.services import sending

    sending._channel().close()
    for number in sending.claim_due(clock.now()):
        sending.send(number)
    sending._channel().close()


def measure(size: int) -> dict[str, float]:
    """Return the seconds from the tick that finds `size` messages until the last of them is sent."""
    from studylab.operation.models import ProcessBeat
    from studylab.outbox.models import Message

    book(VOLUNTEERS)
    with _workers():
        _until(lambda: ProcessBeat.objects.count() == WORKERS)
        let_be_due(WARM, "before")
        _send_all()
        let_be_due(size, "measured")
        began = time.perf_counter()
        _send_all()
        took = time.perf_counter() - began
    sent = Message.objects.filter(state="sent").count()
    if sent != size + WARM:
        raise AssertionError(f"{sent} of {size + WARM} messages were sent.")
    return {"seconds": took}


def _send_all() -> None:
    """Tick until nothing is due, as the scheduler does; one tick claims some thousands at most."""
    from studylab import clock
    from studylab.outbox.models import Message
    from studylab.outbox.tasks import tick

    while Message.objects.filter(state="waiting", next_at__lte=clock.now()).exists():
        tick()
        _until(lambda: not Message.objects.filter(state__in=["claimed", "sending"]).exists())


@contextmanager
def _workers() -> Iterator[None]:
    """Run the workers, each in a process of its own, as a site does."""
    words = ["worker", "--pool=solo", "--without-mingle", "--without-gossip", "--loglevel=ERROR"]
    with ExitStack() as stack:
        for number in range(WORKERS):
            process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "celery",
                    "-A",
                    "studylab",
                    *words,
                    "-n",
                    f"measured{number}",
                ],
                env={**os.environ, "PYTHONWARNINGS": "ignore"},
                stdout=subprocess.DEVNULL,
            )
            stack.callback(process.wait)
            stack.callback(process.terminate)
        yield


def _until(done: Callable[[], bool]) -> None:
    over = time.monotonic() + PATIENCE
    while not done():
        if time.monotonic() > over:
            raise AssertionError("The workers did not come to an end.")
        time.sleep(0.05)


@contextmanager
def _broker(folder: Path) -> Iterator[None]:
    """Name a broker of our own in the environment: the site's workers must not hear these knocks."""
    os.environ["STUDYLAB_STATE_DIR"] = str(folder)
    os.environ["REDIS_URL"] = ""
    if not shutil.which("redis-server"):
        yield
        return
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ["--port", str(port), "--bind", "127.0.0.1", "--save", "", "--dir", str(folder)]
    server = subprocess.Popen(["redis-server", *words], stdout=subprocess.DEVNULL)
    os.environ["REDIS_URL"] = f"redis://127.0.0.1:{port}/0"
    try:
        yield
    finally:
        server.terminate()
        server.wait()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="studylab-benchmark-") as place, _broker(Path(place)):
        django.setup()
        print(json.dumps(measure(int(sys.argv[1]))))
