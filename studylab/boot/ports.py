"""Finds the address the web server listens on."""

import errno
import http.client
import socket
from dataclasses import dataclass

from studylab.boot.places import Trouble

_TRIES = 50
_EVERYWHERE = ("0.0.0.0", "::", "")


@dataclass
class Listener:
    """A bound and listening socket, so that no one else can take the port in between."""

    socket: socket.socket
    host: str
    port: int

    @property
    def everywhere(self) -> bool:
        """Whether it listens on every address of this machine."""
        return self.host in _EVERYWHERE

    @property
    def name(self) -> str:
        """The host by which this machine reaches itself."""
        return "127.0.0.1" if self.everywhere else self.host

    @property
    def address(self) -> str:
        """The address to type into a browser on this machine."""
        host = self.name
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}/"

    @property
    def hosts(self) -> str:
        """Names the site answers to: this machine's own, or any when it listens everywhere."""
        own = ["localhost", "127.0.0.1", "[::1]"]
        if self.everywhere:
            return "*"
        return ",".join([*own, f"[{self.host}]" if ":" in self.host else self.host])

    def answers(self) -> int | None:
        """The status of the first page, or None while nobody answers."""
        connection = http.client.HTTPConnection(self.name, self.port, timeout=2)
        try:
            connection.request("GET", "/")
            return connection.getresponse().status
        except (OSError, http.client.HTTPException):
            return None
        finally:
            connection.close()


def listen(host: str, port: int) -> Listener:
    """Listen on `port` of `host`, or on the next free one above it."""
    try:
        found = socket.getaddrinfo(
            host or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
    except OSError as problem:
        raise Trouble(
            f"--host {host}: no such address ({problem.strerror}). Try 127.0.0.1."
        ) from problem
    family, kind, protocol, _, address = found[0]
    for number in range(port, min(port + _TRIES, 65536)):
        one = socket.socket(family, kind, protocol)
        one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind((address[0], number, *address[2:]))
            one.listen(128)
        except OSError as problem:
            one.close()
            if problem.errno == errno.EADDRINUSE:
                continue
            _refuse(host, number, problem)
        return Listener(one, host, number)
    raise Trouble(f"No free port from {port} on; name another one with --port.")


def _refuse(host: str, port: int, problem: OSError) -> None:
    if problem.errno == errno.EACCES:
        raise Trouble(
            f"--port {port} needs special rights; name one above 1023, such as 8000."
        ) from problem
    if problem.errno == errno.EADDRNOTAVAIL:
        raise Trouble(
            f"--host {host} is not an address of this machine; try 127.0.0.1."
        ) from problem
    raise Trouble(
        f"Cannot listen on {host} port {port} ({problem.strerror}); try another --port."
    ) from problem
