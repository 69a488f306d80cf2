"""A mail server that behaves as the name before the @ asks: a real one (aiosmtpd), on a port of its own."""

import asyncio
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP

SLOW = 30.0  # seconds: longer than any patience in tests


class Post:
    """What arrived. `later` names how often addressees that begin with "later" are put off before they are taken."""

    def __init__(self, later: int = 1) -> None:
        self.taken: Counter[str] = Counter()  # by Message-ID
        self.to: Counter[str] = Counter()
        self.mails: list[bytes] = []
        self.recipients: list[list[str]] = []
        self.put_off: Counter[str] = Counter()
        self.later, self.pause = later, 0.0
        self._lock = threading.Lock()

    async def handle_RCPT(
        self, server: SMTP, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        """Answer as the addressee's name asks."""
        name = address.partition("@")[0]
        if name.startswith("refused"):
            return f"550 5.1.1 No mailbox {address} here"
        if name.startswith("later") and self.put_off[address] < self.later:
            self.put_off[address] += 1
            return "450 4.2.1 Try again later"
        if name.startswith("slowrcpt"):
            await asyncio.sleep(SLOW)
        if name.startswith("broken"):
            server.transport.abort()
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Any) -> str:
        """Take the mail, or do what the addressee's name asks after the content has come."""
        name = envelope.rcpt_tos[0].partition("@")[0]
        if name.startswith("content_later"):
            return "452 4.3.1 No room"
        if name.startswith("content_refused"):
            return "554 5.6.0 Not this"
        if self.pause:
            await asyncio.sleep(self.pause)
        self._take(envelope)
        if name.startswith("dropped"):  # taken, and the answer never comes
            server.transport.abort()
        if name.startswith("silent"):
            await asyncio.sleep(SLOW)
        return "250 2.0.0 Taken"

    def _take(self, envelope: Any) -> None:
        content = bytes(envelope.content)
        with self._lock:
            self.taken[message_id(content)] += 1
            self.to.update(envelope.rcpt_tos)
            self.mails.append(content)
            self.recipients.append(list(envelope.rcpt_tos))


def message_id(content: bytes) -> str:
    """Return the Message-ID of a mail."""
    lines = content.split(b"\r\n\r\n")[0].split(b"\r\n")
    line = next(line for line in lines if line.lower().startswith(b"message-id:"))
    return line.decode().partition(":")[2].strip()


class _AnyPort(Controller):
    """A controller on whatever port is free."""

    def _trigger_server(self) -> None:
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()


@contextmanager
def mail_server(post: Post) -> Iterator[int]:
    """Run the server; yields its port."""
    controller = _AnyPort(post, hostname="127.0.0.1", port=0, ready_timeout=10)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


class one_mail_each:
    """A server written by hand that closes the connection after it has taken a mail."""

    def __init__(self, taken: list[bytes]) -> None:
        self.taken, self.listener = taken, socket.create_server(("127.0.0.1", 0))

    def __enter__(self) -> int:
        threading.Thread(target=self._serve, daemon=True).start()
        return self.listener.getsockname()[1]

    def __exit__(self, *_: object) -> None:
        self.listener.close()

    def _serve(self) -> None:
        while True:
            try:
                way, _ = self.listener.accept()
            except OSError:
                return
            with way, way.makefile("rwb", buffering=0) as line:
                line.write(b"220 here\r\n")
                while (said := line.readline()) and not said.upper().startswith(b"DATA"):
                    line.write(b"250 OK\r\n")
                if not said:
                    continue
                line.write(b"354 go on\r\n")
                content = b""
                while not content.endswith(b"\r\n.\r\n"):
                    content += line.readline()
                self.taken.append(content)
                line.write(b"250 taken\r\n")
