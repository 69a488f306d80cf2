"""Short messages against a real HTTP server on this machine, which answers as gateways do."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

from studylab.outbox.gateway import Answer, HttpGateway, Taken, answer_of

TOKEN = "a-token-of-this-test"


class Handler(BaseHTTPRequestHandler):
    """Keeps what came and answers by the path: /200, /503, /silent, /broken."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.seen.append((self.path, dict(self.headers), json.loads(body)))  # type: ignore[attr-defined]
        if self.path == "/silent":
            time.sleep(1.0)
        elif self.path == "/broken":
            self.connection.shutdown(socket.SHUT_RDWR)
        else:
            self.send_response(int(self.path[1:4]))
            self.send_header("Location", "/200")
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"{}")

    do_PUT = do_POST

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture(scope="module")
def server() -> Iterator[ThreadingHTTPServer]:
    found = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    found.seen = []  # type: ignore[attr-defined]
    thread = threading.Thread(target=found.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield found
    found.shutdown()
    thread.join()
    found.server_close()


def gateway(server: ThreadingHTTPServer, path: str, **more: Any) -> HttpGateway:
    return HttpGateway(
        f"http://127.0.0.1:{server.server_port}{path}", TOKEN, answer_seconds=0.3, **more
    )


def send(found: HttpGateway) -> Answer:
    return found.send(to="+19025550110", text="Rendez-vous à 9 h. Ça va?", reference="r-1")


def test_one_object_with_the_names_that_the_gateway_uses(server: Any) -> None:
    names = {"to": "recipient", "text": "body", "reference": "client_ref", "sender": "from"}
    found = gateway(server, "/202?x=1", method="PUT", names=names, sender="Lab")
    assert send(found).taken is Taken.TAKEN
    path, headers, body = server.seen[-1]
    assert path == "/202?x=1"
    assert headers["Authorization"] == f"Bearer {TOKEN}"
    assert body == {
        "recipient": "+19025550110", "body": "Rendez-vous à 9 h. Ça va?", "client_ref": "r-1", "from": "Lab",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("path", "taken"),
    [
        ("/200", Taken.TAKEN), ("/400", Taken.REFUSED), ("/404", Taken.REFUSED), ("/302", Taken.REFUSED),
        ("/401", Taken.LATER), ("/429", Taken.LATER), ("/503", Taken.LATER), ("/500", Taken.UNKNOWN),
        ("/408", Taken.UNKNOWN), ("/504", Taken.UNKNOWN), ("/silent", Taken.UNKNOWN), ("/broken", Taken.UNKNOWN),
    ],
)  # fmt: skip
def test_what_an_answer_means(server: Any, path: str, taken: Taken) -> None:
    before = len(server.seen)
    assert send(gateway(server, path)).taken is taken
    assert len(server.seen) == before + 1  # no redirect is followed and nothing is sent twice


def test_a_gateway_that_is_not_there_took_nothing() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound but not listening: refused at once
        port = taken.getsockname()[1]
        answer = send(HttpGateway(f"http://127.0.0.1:{port}/", TOKEN))
    assert answer.taken is Taken.LATER


def test_neither_token_nor_message_stands_in_what_is_told(server: Any) -> None:
    found = gateway(server, "/500")
    told = f"{found!r} {send(found)}"
    assert TOKEN not in told
    assert "5550110" not in told
    assert "Rendez-vous" not in told


def test_no_status_is_left_out() -> None:
    assert {answer_of(status).taken for status in range(100, 600)} == set(Taken)
    assert answer_of(150).taken is Taken.UNKNOWN
