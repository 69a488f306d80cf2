"""Short messages by a gateway over HTTP: one small interface and one generic implementation. Off by default.

What an answer means is decided as for mail: "not taken" only where it is sure that nothing went out, "taken" where
the gateway said so, and "unknown" for everything between, which is never sent again by itself.
"""

import http.client
import json
import socket
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol
from urllib.parse import urlsplit

LONGEST_ANSWER = 10_000  # octets of the gateway's answer that are read; none of it is kept


class Taken(StrEnum):
    """What is known about a message that was handed over."""

    TAKEN = "taken"
    LATER = "later"  # not taken for now: may be tried again
    REFUSED = "refused"  # not taken, and would not be taken again
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one message, and a short reason without any content of the message."""

    taken: Taken
    reason: str


class Gateway(Protocol):
    """Whoever carries short messages."""

    def send(self, *, to: str, text: str, reference: str) -> Answer:
        """Hand one message over. `to` is a number as in ITU-T E.164, `reference` names the message for good."""
        ...


@dataclass(frozen=True, slots=True)
class HttpGateway:
    """A gateway that takes one JSON object a message.

    `names` says what the gateway calls the fields to, text, reference and sender; a field without a name is left out.
    The token goes into the header Authorization after the word Bearer (RFC 6750).
    """

    url: str
    token: str = field(repr=False)
    method: str = "POST"
    names: Mapping[str, str] = field(default_factory=lambda: {"to": "to", "text": "text"})
    sender: str = ""
    connect_seconds: float = 5.0
    answer_seconds: float = 20.0

    def send(self, *, to: str, text: str, reference: str) -> Answer:
        """Hand one message over; nothing is raised for what the network or the gateway does."""
        values = {"to": to, "text": text, "reference": reference, "sender": self.sender}
        content = {name: values[key] for key, name in self.names.items()}
        body = json.dumps(content, ensure_ascii=False).encode()
        connection = self._connection()
        try:
            try:
                connection.connect()
            except (OSError, http.client.HTTPException):
                return Answer(Taken.LATER, "The gateway could not be reached.")
            return self._handed_over(connection, body)
        finally:
            connection.close()

    def _connection(self) -> http.client.HTTPConnection:
        parts = urlsplit(self.url)
        assert parts.hostname is not None, "settings refuse an address without a host"
        if parts.scheme == "https":
            return http.client.HTTPSConnection(
                parts.hostname, parts.port, timeout=self.connect_seconds, context=ssl.create_default_context()
            )  # fmt: skip
        return http.client.HTTPConnection(parts.hostname, parts.port, timeout=self.connect_seconds)

    def _handed_over(self, connection: http.client.HTTPConnection, body: bytes) -> Answer:
        """Send the request over an open connection. From here on a silence tells nothing."""
        if isinstance(connection.sock, socket.socket):
            connection.sock.settimeout(self.answer_seconds)
        parts = urlsplit(self.url)
        path = f"{parts.path or '/'}?{parts.query}" if parts.query else parts.path or "/"
        headers = {"Content-Type": "application/json; charset=utf-8", "Accept": "application/json"}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        try:
            connection.request(self.method, path, body, headers)
            answer = connection.getresponse()
            answer.read(LONGEST_ANSWER)
        except (OSError, http.client.HTTPException):
            return Answer(Taken.UNKNOWN, "The connection broke before the gateway answered.")
        return answer_of(answer.status)


def answer_of(status: int) -> Answer:
    """Return what an HTTP status means for the message (RFC 9110, 15; RFC 6585 for 429).

    Redirects are not followed: the token and the message would go to somebody else.
    """
    reason = f"The gateway answered {status}."
    if 200 <= status < 300:
        return Answer(Taken.TAKEN, reason)
    if status in (401, 403, 429, 503):  # a matter of the site or of the moment, not of the message
        return Answer(Taken.LATER, reason)
    if 300 <= status < 500 and status != 408:
        return Answer(Taken.REFUSED, reason)
    return Answer(Taken.UNKNOWN, reason)
