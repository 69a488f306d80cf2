"""The site behind nginx, as `proxy_settings` prints it: what is trusted, and what is refused where."""

import http.client
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from io import StringIO
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection

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


@pytest.fixture
def behind(transactional_db: None, tmp_path: Path, settings) -> Iterator[int]:
    """Run gunicorn as in production, several workers, with nginx before it; return nginx's port."""
    if not NGINX:
        pytest.skip("nginx is not installed here.")
    port, inner = _free(), _free()
    settings.ALLOWED_HOSTS = ["lab.example"]
    site = printed("--listen", f"127.0.0.1:{port}", "--upstream", f"127.0.0.1:{inner}")
    conf = _nginx(tmp_path, site)
    own = _production(tmp_path)
    words = [
        "studylab.wsgi:application",
        "--bind",
        f"127.0.0.1:{inner}",
        "--workers",
        "2",
        "--no-control-socket",
    ]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    with ExitStack() as stack:
        for program in ([Path(sys.executable).with_name("gunicorn"), *words], [NGINX, "-c", conf]):
            process = stack.enter_context(
                subprocess.Popen(
                    program,
                    cwd=tmp_path if program[0] == NGINX else _base(),
                    env={**os.environ, **own},
                    **quiet,
                )
            )
            stack.callback(process.terminate)
        until(lambda: _ask(port, "/healthz/live")[0] == 200)
        yield port


def _base() -> Path:
    return Path(settings.BASE_DIR)


def _ask(port: int, path: str, body: bytes | None = None, **headers: str) -> tuple[int, str]:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    said = {name.replace("_", "-"): value for name, value in headers.items()}
    try:
        line.request("POST" if body else "GET", path, body, {"Host": "lab.example", **said})
        answer = line.getresponse()
        answer.read()
        return answer.status, answer.headers.get("Location", "")
    except OSError:
        return 0, ""
    finally:
        line.close()


@pytest.mark.slow
def test_behind_nginx_only_the_proxy_says_how_somebody_came(behind: int):
    https = (301, "https://lab.example/sign-in/")
    assert _ask(behind, "/sign-in/") == https
    assert _ask(behind, "/sign-in/", X_Forwarded_Proto="https") == https, (
        "nobody outside may say so"
    )
    assert _ask(behind, "/sign-in/", b"x" * (largest() + 2**20 + 1))[0] in (413, 0)
