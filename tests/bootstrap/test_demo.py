"""The whole of `manage.py demo`: up, every kind of page as every role, Ctrl-C, up again, and nothing left."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from studylab.access import ROLE_CAPS, Cap, Role
from studylab.boot import pg_place, process
from studylab.boot.places import Places
from studylab.management.demo.cast import ACCOUNTS, PASSWORD, SIGN_INS
from studylab.studies.rules.loader import load_protocol
from tests.bootstrap.conftest import REPO
from tests.bootstrap.crawl import signed_in, walk
from tests.cast import DOCUMENTS

PLAN = load_protocol((DOCUMENTS / "demo.toml").read_text(encoding="utf-8"))
ARMS = [arm.name for arm in PLAN.allocation.arms]
STATES = ("due", "under way", "waiting", "on hold", "done")
SECTIONS = {
    "home": Cap.HOME_VIEW,
    "people_on_path": Cap.VOLUNTEER_VIEW,
    "today": Cap.TODAY_VIEW,
    "calendar": Cap.CALENDAR_VIEW,
    "volunteers": Cap.VOLUNTEER_VIEW,
    "volunteer": Cap.VOLUNTEER_VIEW,
    "sign_off_queue": Cap.SIGN_OFF,
    "dispensary": Cap.DISPENSE,
    "safety": Cap.SAFETY_VIEW,
    "record": Cap.RECORD_VIEW,
    "set_up": Cap.SETUP_VIEW,
    "commitment": Cap.STUDY_VIEW,
}


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


def surroundings(state: Path) -> dict[str, str]:
    """The environment of somebody who has set nothing, but for the state folder."""
    steering = ("STUDYLAB_", "DATABASE_URL", "REDIS_URL", "DJANGO_")
    env = {k: v for k, v in os.environ.items() if not k.startswith(steering)}
    return env | {"STUDYLAB_VENV": "skip", "STUDYLAB_STATE_DIR": str(state)}


def start(state: Path, *words: str) -> tuple[subprocess.Popen[str], str]:
    """Start the demo. Returns the process and its output up to the address."""
    child = subprocess.Popen(
        [sys.executable, "manage.py", "demo", *words],
        cwd=REPO,
        env=surroundings(state),
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
    return child, seen


def stop(child: subprocess.Popen[str]) -> str:
    """Press Ctrl-C and wait for the end. Returns what was said."""
    child.send_signal(signal.SIGINT)
    said, _ = child.communicate(timeout=60)
    assert child.returncode == 0, said
    return said


def command(state: Path, name: str) -> str:
    """Run another command beside the running demo. Returns what it said."""
    done = subprocess.run(
        [sys.executable, "manage.py", name],
        cwd=REPO, env=surroundings(state), capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout


def look_around(site: str, member: Any) -> None:
    """Every kind of page that this role finds is there, and tells a blinded role no arm."""
    found = walk(signed_in(site, member.email, PASSWORD), site)
    assert found.broken == [], (member.role, found.broken)
    sections = {name for name, cap in SECTIONS.items() if cap in ROLE_CAPS[member.role]}
    assert sections <= found.kinds.keys(), (member.role, sections - found.kinds.keys())
    if member.role == Role.EXPERIMENTER:
        today = next(text for at, text in found.pages.items() if at.endswith("/today/"))
        assert [word for word in STATES if word not in today.lower()] == []
        assert found.kinds["visit"] >= 6
    if member.role == Role.PHARMACIST:
        return
    for at, text in found.pages.items():
        # The protocol names both arms, and the teaching page the drug: everybody knows what the arms are.
        if "/set-up/" not in at and "/teaching/" not in at:
            assert [arm for arm in ARMS if arm in text] == [], (member.role, at)


@pytest.mark.slow
def test_demo_comes_up_goes_down_and_comes_up_again(state: Path) -> None:
    child, seen = start(state)
    address = re.search(r"is running at (http://127\.0\.0\.1:\d+/)", seen)
    assert address
    site = address.group(1)
    for member in SIGN_INS:
        assert member.email in seen, "the sign-ins are shown"
        look_around(site, member)
    assert ACCOUNTS[1] in seen
    found = walk(signed_in(site, ACCOUNTS[1], PASSWORD), site)
    assert (found.broken, "accounts" in found.kinds) == ([], True)
    assert "intact" in command(state, "verify_audit")
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

    child, seen = start(state)
    for work in ("Making", "Installing", "Creating", "Collecting"):
        assert work not in seen, "done once"
    assert "unless it is there already.\nStarting the web server" in seen, "nothing is loaded twice"
    child.kill()
    child.communicate()
    deadline = time.monotonic() + 30
    while process.marked(state) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert process.marked(state) == []
    (state / "run/demo.json").unlink()
