"""The start and its real PostgreSQL server, as root and as a normal user."""

import json
import os
import signal
import time
from pathlib import Path

import pytest

from studylab.boot.process import command_line
from tests.bootstrap.conftest import Person

pytestmark = pytest.mark.slow


def test_a_life_of_the_demo_database(person: Person) -> None:
    seen = person.play("life")
    assert seen["role"] == "f|t"
    assert seen["owner"] == "studylab"
    assert seen["extension"] == "CREATE EXTENSION"
    assert seen["locale"] == "b|C.UTF-8|UTF8"
    assert seen["listens"] == "socket only"
    assert (seen["socket folder"], seen["data folder"]) == ("700", "700")
    assert "password authentication failed" in seen["wrong password"]
    if os.geteuid() == 0 and person.account is None:
        assert "Permission denied" in seen["other account"]
    assert seen["stopped"] is True
    assert seen["kept"] == "42"
    assert seen["second start"] < 10


def test_root_never_opens_a_folder_for_others(person: Person) -> None:
    closed = person.repo
    closed.chmod(0o700)
    above = (closed, *closed.parents, Path("/var/lib"))
    before = [folder.stat().st_mode for folder in above]
    assert person.play("command", "0") == {"answer": "1"}
    assert [folder.stat().st_mode for folder in above] == before


def test_start_after_a_crash_and_after_pid_files_that_lie(person: Person) -> None:
    assert person.play("liars") == {
        "after a kill": "7",
        "stranger": "7",
        "stranger lives": True,
        "empty file": "7",
    }


def test_killed_start_takes_the_server_with_it_and_the_next_start_works(person: Person) -> None:
    holder = person.start("hold")
    assert holder.stdout is not None
    lines = []
    while not (lines and lines[-1].startswith("{")):
        lines.append(holder.stdout.readline())
    pid = json.loads(lines[-1])["pid"]
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    deadline = time.monotonic() + 20
    while command_line(pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert command_line(pid) is None
    assert person.play("command", "0") == {"answer": "1"}


def test_two_commands_at_once_share_one_server(person: Person) -> None:
    first = person.start("command", "2")
    second = person.start("command", "3")
    for child in (first, second):
        out, err = child.communicate(timeout=60)
        assert child.returncode == 0, err
        assert json.loads(out.splitlines()[-1]) == {"answer": "1"}


def test_a_test_run_leaves_nothing(person: Person) -> None:
    assert person.play("tests") == {"fsync": "off", "left": []}


def test_a_long_path_still_has_a_short_socket(person: Person) -> None:
    person.move_to(person.repo / ("d" * 60) / ("e" * 60))
    assert len(os.fsencode(person.repo)) > 120
    assert person.play("command", "0") == {"answer": "1"}


def test_lost_keys_are_named_not_replaced(person: Person) -> None:
    said = person.play("lost_keys")["said"]
    assert "keys.env" in said
    assert "--reset" in said


@pytest.mark.parametrize("furnished", ["normal user"], indirect=True)
def test_a_read_only_folder_is_one_line(person: Person) -> None:
    site = person.folder / "site"
    (site / "requirements.txt").write_text("never-read==1\n", encoding="utf-8")
    site.chmod(0o555)
    try:
        answer = person.run(site / "manage.py", "demo")
    finally:
        site.chmod(0o755)
    assert answer.returncode == 1
    assert f"Cannot write in {site / '.studylab'}" in answer.stderr
    assert answer.stderr.count("\n") == 1
