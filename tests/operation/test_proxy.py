"""The site behind nginx, as `proxy_settings` prints it: what is trusted, and what is refused where."""

import http.client
import os
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from io import StringIO
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection

from scheduling.views.feeds import MISSES_AT_MOST
from studylab import clock
from studylab.management.commands.proxy_settings import largest
from tests.processes import until

NGINX = shutil.which("nginx") or (shutil.which("nginx", path="/usr/sbin") or "")


def printed(*words: str) -> str:
    out = StringIO()
    call_command("proxy_settings", *words, stdout=out)
    return out.getvalue()


def test_what_is_printed_agrees_with_the_site(settings):
    settings.ALLOWED_HOSTS = ["lab.example", "www.lab.example"]
    text = printed()
    assert "server_name lab.example www.lab.example;" in text
    assert "ssl_certificate " in text
    megabytes = int(text.split("client_max_body_size ")[1].split("m;")[0])
    assert largest() < megabytes * 2**20 <= largest() + 2**20
    settings.ALLOWED_HOSTS = ["*"]
    with pytest.raises(CommandError, match="STUDYLAB_HOSTS"):
        printed()


def _free() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _nginx(place: Path, site: str) -> Path:
    folders = " ".join(
        f"{name}_temp_path {place}/{name};"
        for name in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    conf = place / "nginx.conf"
    conf.write_text(
        f"daemon off; pid {place}/nginx.pid; error_log stderr; events {{}}\n"
        f"http {{ access_log off; {folders}\n{site} }}\n"
    )
    return conf


def _production(place: Path) -> dict[str, str]:
    server = urlsplit(os.environ["DATABASE_URL"])
    return {
        "DATABASE_URL": server._replace(path=f"/{connection.settings_dict['NAME']}").geturl(),
        "STUDYLAB_ENV": "production", "STUDYLAB_SECRET_KEY": "k" * 60, "STUDYLAB_HOSTS": "lab.example",
        "STUDYLAB_ALLOCATION_KEY": "A" * 43, "STUDYLAB_CONTACT_KEY": "B" * 42 + "A",
        "STUDYLAB_BEHIND_PROXY": "true", "STUDYLAB_STATE_DIR": str(place),
    }  # fmt: skip


@dataclass(frozen=True)
class Ports:
    """Where nginx listens: plainly, and with TLS."""

    plain: int
    tls: int


@pytest.fixture
def behind(transactional_db: None, tmp_path: Path, settings) -> Iterator[Ports]:
    """Run gunicorn as in production, several workers, with nginx before it; return nginx's ports."""
    if not NGINX:
        pytest.skip("nginx is not installed here.")
    ports, inner = Ports(_free(), _free()), _free()
    settings.ALLOWED_HOSTS = ["lab.example"]
    upstream = ("--upstream", f"127.0.0.1:{inner}")
    plain = printed("--listen", f"127.0.0.1:{ports.plain}", *upstream)
    tls = printed("--listen", f"127.0.0.1:{ports.tls} ssl", *upstream)
    own_server = tls[tls.index("server {", tls.index("keepalive")) :]  # they share the upstream
    conf = _nginx(
        tmp_path, plain + own_server.replace("/etc/nginx/tls", str(_certificate(tmp_path)))
    )
    gunicorn = [
        str(Path(sys.executable).with_name("gunicorn")), "studylab.wsgi:application", "--bind",
        f"127.0.0.1:{inner}", "--workers", "2", "--no-control-socket",
    ]  # fmt: skip
    own = {**os.environ, **_production(tmp_path), "STUDYLAB_VENV": "skip"}
    collect = [sys.executable, "manage.py", "collectstatic", "--noinput", "-v0"]
    subprocess.run(collect, cwd=settings.BASE_DIR, env=own, check=True)
    with ExitStack() as stack:
        for program, place in ((gunicorn, settings.BASE_DIR), ([NGINX, "-c", str(conf)], tmp_path)):
            process = stack.enter_context(
                subprocess.Popen(
                    program,
                    cwd=place,
                    env=own,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
            )
            stack.callback(process.terminate)
        until(lambda: _ask(ports.plain, "/healthz/live").status == 200)
        yield ports


def _certificate(place: Path) -> Path:
    """Write a certificate of its own for the site, as `proxy_settings` names the files; return their folder."""
    key = ec.generate_private_key(ec.SECP256R1())
    name, now = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "lab.example")]), clock.now()
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("lab.example")]), critical=False)
        .sign(key, hashes.SHA256())
    )
    plainly = serialization.NoEncryption()
    (place / "site.crt").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (place / "site.key").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plainly)
    )
    return place


class _Line(http.client.HTTPSConnection):
    """A line to this machine that checks the certificate of the site's name."""

    def connect(self) -> None:
        line = socket.create_connection((self.host, self.port), 30, self.source_address)
        self.sock = self._context.wrap_socket(line, server_hostname="lab.example")


@dataclass(frozen=True)
class Answer:
    """What came; status 0 when the line was cut."""

    status: int
    headers: Any


def _ask(
    port: int, path: str, body: bytes | None = None, *, trust: Path | None = None,
    come_from: str = "127.0.0.1", **headers: str,
) -> Answer:  # fmt: skip
    """Ask nginx, by TLS where a certificate to trust is given."""
    source, said = (
        (come_from, 0),
        {name.replace("_", "-"): value for name, value in headers.items()},
    )
    line: http.client.HTTPConnection
    if trust:
        context = ssl.create_default_context(cafile=trust)
        line = _Line("127.0.0.1", port, timeout=30, context=context, source_address=source)
    else:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=30, source_address=source)
    try:
        line.request("POST" if body else "GET", path, body, {"Host": "lab.example", **said})
        answer = line.getresponse()
        answer.read()
        return Answer(answer.status, answer.headers)
    except OSError:
        return Answer(0, {})
    finally:
        line.close()


@pytest.mark.slow
def test_behind_nginx_only_the_proxy_says_how_somebody_came_and_from_where(
    behind: Ports, tmp_path: Path
):
    def plainly(path: str, body: bytes | None = None, **headers: str) -> tuple[int, str]:
        answer = _ask(behind.plain, path, body, **headers)
        return answer.status, answer.headers.get("Location", "")

    https = (301, "https://lab.example/sign-in/")
    assert plainly("/sign-in/") == https
    assert plainly("/sign-in/", X_Forwarded_Proto="https") == https, "nobody outside may say so"
    assert plainly("/sign-in/", b"x" * (largest() + 2**20 + 1))[0] in (413, 0)

    trust = tmp_path / "site.crt"
    first = _ask(behind.tls, "/sign-in/", trust=trust)  # of an empty site: to where it is set up
    page = _ask(behind.tls, first.headers["Location"], trust=trust)
    assert page.status == 200
    assert page.headers["Strict-Transport-Security"] == "max-age=3600"
    (cookie,) = [
        one for one in page.headers.get_all("Set-Cookie") if one.startswith("__Host-csrf=")
    ]
    assert {"Secure", "HttpOnly", "Path=/"} <= set(cookie.split("; "))
    other_name = _ask(behind.tls, "/sign-in/", trust=trust, Host="other.example")
    assert other_name.status == 400

    # Wrong addresses of feeds are counted by where they come from, whatever the asker says of that.
    missed = [
        _ask(
            behind.tls, "/feeds/nothing.ics", trust=trust, X_Forwarded_For=f"192.0.2.{turn}"
        ).status
        for turn in range(MISSES_AT_MOST + 1)
    ]
    assert missed == [404] * MISSES_AT_MOST + [429]
    elsewhere = _ask(behind.tls, "/feeds/nothing.ics", trust=trust, come_from="127.0.0.2")
    assert elsewhere.status == 404
