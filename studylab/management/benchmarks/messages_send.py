"""How many messages a second reach a mail server on this machine, against a bare loop that hands over one mail again and again.

Four real workers send from a database of their own beside the present one, which is dropped again. A handful is sent
in the present process and taken back instead.
"""

import asyncio
import json
import smtplib
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.test.utils import override_settings

from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back, seconds
from studylab.management.benchmarks.messages_crew import (
    WARM,
    WORKERS,
    Mails,
    book,
    let_be_due,
    send_here,
)
from studylab.management.benchmarks.own_database import in_own_database

SENDER = "study@lab.example"
REFERENCE = "a bare smtplib loop to the same mail server"


class Taken:
    """What the mail server took: how often each Message-ID, and the last mail whole."""

    def __init__(self) -> None:
        self.by_number: Counter[bytes] = Counter()
        self.mail, self.to = b"", ""

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        """Take every mail."""
        self.mail, self.to = bytes(envelope.content), envelope.rcpt_tos[0]
        head = self.mail.partition(b"\r\n\r\n")[0]
        self.by_number[next(x for x in head.split(b"\r\n") if x.startswith(b"Message-ID:"))] += 1
        return "250 2.0.0 Taken"


@benchmark(
    "messages.send", unit=f"messages per second, {WORKERS} workers", reference=REFERENCE,
    size=2000, tiny=4,
)  # fmt: skip
def send_speed(size: int) -> Measured:
    """Send `size` reminders with their calendar files, count what arrived, then hand over as many mails plainly."""
    taken = Taken()
    with _mail_server(taken) as port:
        apart = size >= WORKERS * 10
        ours = _apart(size, port) if apart else _here(size, port)
        arrived, twice = len(taken.by_number), sum(taken.by_number.values()) - len(taken.by_number)
        if arrived != size + (WARM if apart else 0):
            raise AssertionError(f"{size} messages were to arrive, and not {arrived}.")
        plain = seconds(lambda: _bare(size, port, taken.to, taken.mail))
    more = (
        Line("messages.send.twice", twice, "messages that arrived twice", "none allowed", 1.0),
        Line("messages.send.bytes", len(taken.mail), "bytes in a mail", "the same mail", 1.0),
    )
    return Measured(size / ours, plain / ours, more)


def _here(size: int, port: int) -> float:
    mails = Mails("127.0.0.1", port, SENDER)
    with rolled_back(), override_settings(**mails.settings()):
        book(volunteers=1)
        let_be_due(size, "measured")
        return seconds(send_here)


def _apart(size: int, port: int) -> float:
    crew = "studylab.management.benchmarks.messages_crew"
    given = Mails("127.0.0.1", port, SENDER).environment()
    with in_own_database() as database:
        printed = database.run(crew, str(size), **given)
    return float(json.loads(printed)["seconds"])


def _bare(size: int, port: int, to: str, mail: bytes) -> None:
    with smtplib.SMTP("127.0.0.1", port, local_hostname="lab.example") as smtp:
        for _ in range(size):
            smtp.sendmail(SENDER, [to], mail)


@contextmanager
def _mail_server(taken: Taken) -> Iterator[int]:
    """Run a mail server on a free port; yields it."""
    from aiosmtpd.controller import Controller

    class AnyPort(Controller):
        def _trigger_server(self) -> None:
            assert isinstance(self.server, asyncio.Server)
            self.port = self.server.sockets[0].getsockname()[1]
            super()._trigger_server()

    controller = AnyPort(taken, hostname="127.0.0.1", port=0, ready_timeout=10)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()
