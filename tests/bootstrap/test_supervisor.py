"""Real child processes: all run or none does, and none outlives its start."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from studylab.boot import process
from studylab.boot.places import Places, Trouble
from studylab.boot.ports import Listener, listen
from studylab.boot.process import Stopped, StopRequest
from studylab.boot.supervisor import Supervisor, run_attached
from tests.bootstrap.conftest import REPO

SLEEPER = "import time\nprint('up', flush=True)\ntime.sleep(60)\n"
STUBBORN = "import signal, time\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\nprint('up', flush=True)\ntime.sleep(60)\n"
FAILING = "raise SystemExit('the disk is on fire')\n"


@pytest.fixture
def supervisor(places: Places, monkeypatch: pytest.MonkeyPatch) -> Supervisor:
    """A supervisor whose services are small modules."""
    for name, text in (("sleeper", SLEEPER), ("stubborn", STUBBORN), ("failing", FAILING)):
        (places.repo / f"{name}.py").write_text(text, encoding="utf-8")
    return Supervisor(places, {}, StopRequest())


def until(condition: Callable[[], object], seconds: float = 10) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_all_stop_even_one_that_does_not_listen(supervisor: Supervisor) -> None:
    supervisor.start("web", ["sleeper"], grace=5)
    supervisor.start("worker", ["stubborn"], grace=0.5)
    pids = [service.child.pid for service in supervisor.services]
    until(lambda: all("up" in service.log.read_text() for service in supervisor.services))
    supervisor.check()
    supervisor.stop()
    assert [process.command_line(pid) for pid in pids] == [None, None]
    assert process.marked(supervisor.places.state) == []


def test_one_that_dies_is_named_with_its_last_words(supervisor: Supervisor) -> None:
    supervisor.start("web", ["sleeper"], grace=5)
    supervisor.start("worker", ["failing"], grace=5)
    supervisor.services[1].child.wait(10)
    with pytest.raises(Trouble, match=r"worker process ended.*exit code 1.*the disk is on fire"):
        supervisor.check()
    supervisor.stop()
    assert process.marked(supervisor.places.state) == []


def test_one_that_is_killed_is_named_with_the_signal(supervisor: Supervisor) -> None:
    supervisor.start("scheduler", ["sleeper"], grace=5)
    supervisor.services[0].child.kill()
    supervisor.services[0].child.wait(10)
    with pytest.raises(Trouble, match=r"scheduler process ended by itself \(signal SIGKILL\)"):
        supervisor.check()
    supervisor.stop()


def test_wish_to_stop_ends_the_wait(supervisor: Supervisor) -> None:
    supervisor.start("web", ["sleeper"], grace=5)
    supervisor.stop_request.listen()
    try:
        os.kill(os.getpid(), signal.SIGTERM)
        with pytest.raises(Stopped):
            supervisor.check()
    finally:
        supervisor.stop_request.forget()
        supervisor.stop()


def test_first_page_is_awaited_on_the_socket_that_was_reserved(supervisor: Supervisor) -> None:
    listener = listen("127.0.0.1", 8000)
    server = "import http.server, socket, sys\n" + (
        "s = http.server.HTTPServer(('', 0), http.server.SimpleHTTPRequestHandler, False)\n"
        "s.socket = socket.socket(fileno=int(sys.argv[1]))\ns.serve_forever()\n"
    )
    (supervisor.places.repo / "pages.py").write_text(server, encoding="utf-8")
    number = listener.socket.fileno()
    supervisor.start("web", ["pages", str(number)], grace=5, pass_fds=[number])
    supervisor.await_web(listener)
    assert listener.answers() == 200
    supervisor.stop()
    listener.socket.close()
    assert Listener(listener.socket, listener.host, listener.port).answers() is None


def test_what_a_kill_left_behind_is_ended_by_the_next_start(places: Places) -> None:
    script = places.repo / "sleeper.py"
    script.write_text(SLEEPER, encoding="utf-8")
    # Started by a parent that ends at once, so that it is nobody's child, as after a kill.
    start = (
        "import os, subprocess, sys\n"
        "child = subprocess.Popen([sys.executable, sys.argv[1]], stdout=-3, stderr=-3,"
        " env={**os.environ, sys.argv[2]: sys.argv[3]})\nprint(child.pid)\n"
    )

    def orphan(mark: str) -> int:
        command = [sys.executable, "-c", start, str(script), process.MARK, mark]
        return int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)

    left, of_another_copy = orphan(str(places.state)), orphan(f"{places.state}2")
    try:
        until(lambda: process.marked(places.state) == [left])
        assert process.sweep(places.state, grace=5) == 1
        assert process.command_line(left) is None
        assert process.command_line(of_another_copy)
    finally:
        os.kill(of_another_copy, signal.SIGKILL)


def test_children_end_when_their_parent_is_killed(places: Places) -> None:
    (places.repo / "sleeper.py").write_text(SLEEPER, encoding="utf-8")
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom studylab.boot.places import Places\n"
        "from studylab.boot.process import StopRequest\n"
        "from studylab.boot.supervisor import Supervisor\n"
        f"places = Places(Path({str(places.repo)!r}), Path({str(places.state)!r}))\n"
        "s = Supervisor(places, {'PYTHONPATH': str(places.repo)}, StopRequest())\n"
        "s.start('web', ['sleeper'], grace=5)\nprint(s.services[0].child.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code], cwd=REPO, stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    assert process.command_line(pid)
    parent.kill()
    parent.communicate()
    if sys.platform != "linux":
        process.sweep(places.state)
    until(lambda: process.command_line(pid) is None)


def test_attached_command_passes_on_its_exit_code(tmp_path: Path) -> None:
    stop = StopRequest()
    assert run_attached([sys.executable, "-c", "raise SystemExit(5)"], {}, stop) == 5
    killed = [sys.executable, "-c", "import os; os.kill(os.getpid(), 9)"]
    assert run_attached(killed, {}, stop) == 128 + 9
