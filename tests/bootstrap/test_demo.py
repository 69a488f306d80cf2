"""The whole of `manage.py demo`: up, a page, all processes, Ctrl-C, up again, and nothing left."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from studylab.boot import pg_place, process
from studylab.boot.places import Places
from tests.bootstrap.conftest import REPO


@pytest.fixture
def state(tmp_path: Path) -> Iterator[Path]:
    """State folders of their own; what runs or lies outside them is removed at the end."""
    folder = tmp_path / "state"
    yield folder
    note = folder / "run/demo.json"
    if note.exists():  # only after a failure: a stopped demo takes its note along
        os.kill(json.loads(note.read_text(encoding="utf-8"))["pid"], signal.SIGKILL)
        process.sweep(folder)
    places = Places(REPO, folder)
    if folder.exists():  # after a kill the server's socket folder waits for a next start
        data = pg_place.find(places).data(places)
        for sockets in Path("/tmp").glob(f"studylab-*-{pg_place.short_hash(data)}"):
            shutil.rmtree(sockets)
    if os.geteuid() == 0:
        shutil.rmtree(f"/var/lib/studylab-{pg_place.short_hash(folder)}", ignore_errors=True)


def start(state: Path, *words: str) -> tuple[subprocess.Popen[str], str, float]:
    """Start the demo. Returns the process, its output up to the address, and the seconds it took."""
    steering = ("STUDYLAB_", "DATABASE_URL", "REDIS_URL")
    env = {k: v for k, v in os.environ.items() if not k.startswith(steering)}
    env |= {"STUDYLAB_VENV": "skip", "STUDYLAB_STATE_DIR": str(state)}
    began = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "manage.py", "demo", *words],
        cwd=REPO,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    lines: list[str] = []
    assert child.stdout is not None
    for line in child.stdout:
        lines.append(line)
        if "is running at" in line:
            break
    seen = "".join(lines)
    assert "is running at" in seen, seen
    return child, seen, time.monotonic() - began


def stop(child: subprocess.Popen[str]) -> str:
    """Press Ctrl-C and wait for the end. Returns what was said."""
    child.send_signal(signal.SIGINT)
    said, _ = child.communicate(timeout=60)
    assert child.returncode == 0, said
    return said


@pytest.mark.slow
def test_demo_comes_up_goes_down_and_comes_up_again(state: Path) -> None:
    child, seen, _ = start(state)
    address = re.search(r"is running at (http://127\.0\.0\.1:\d+/)", seen)
    assert address
    with urllib.request.urlopen(address.group(1), timeout=30) as page:
        assert page.status == 200
        assert "Studylab" in page.read().decode()
    assert "@" in seen, "the sign-ins are shown"
    roles = {" ".join(process.command_line(pid) or []) for pid in process.marked(state)}
    assert {
        name for name in ("gunicorn", "worker", "beat") if any(name in role for role in roles)
    } == {
        "gunicorn",
        "worker",
        "beat",
    }
    assert "Stopped." in stop(child)
    assert process.marked(state) == []
    assert not (state / "run/demo.json").exists()

    child, seen, seconds = start(state)
    assert "Creating the PostgreSQL" not in seen
    # Ten seconds is the promise on a machine with nothing else to do; tests share theirs.
    assert seconds < 30
    child.kill()
    child.communicate()
    deadline = time.monotonic() + 30
    while process.marked(state) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert process.marked(state) == []
    (state / "run/demo.json").unlink()
