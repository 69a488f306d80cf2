"""Keeps the demo's processes together: all run, or none does."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from studylab.boot.places import Places, Trouble, last_line, say
from studylab.boot.ports import Listener
from studylab.boot.process import MARK, Stopped, StopRequest, end, ends_with_parent, spawn, wait_for

_PATIENCE = 90  # seconds until the first page, or a service's word that it is ready


@dataclass
class Service:
    """One process that is to run until the demo stops."""

    name: str
    child: subprocess.Popen[bytes]
    log: Path
    grace: float


@dataclass
class Supervisor:
    """Runs steps and services of one copy of the program."""

    places: Places
    env: Mapping[str, str]
    stop_request: StopRequest
    services: list[Service] = field(default_factory=list)

    def child_env(self) -> dict[str, str]:
        """What every child gets: the settings, and the mark by which it is found again."""
        return {**os.environ, **self.env, "STUDYLAB_VENV": "skip", MARK: str(self.places.state)}

    def step(self, *words: str) -> str:
        """Run a manage.py command to its end and return what it printed."""
        log = self.places.logs / f"{words[0]}.log"
        command = [sys.executable, str(self.places.repo / "manage.py"), *words]
        child = spawn(command, env=self.child_env(), log=log, cwd=self.places.repo)
        if wait_for(child, self.stop_request):
            raise Trouble(f"manage.py {words[0]} failed: {last_line(log)} (details in {log})")
        return log.read_text(encoding="utf-8", errors="replace")

    def start(
        self, name: str, words: Sequence[str], *, grace: float, pass_fds: Sequence[int] = ()
    ) -> None:
        """Start a service from a module of this Python."""
        log = self.places.logs / f"{name}.log"
        command = [sys.executable, "-m", *words]
        child = spawn(
            command, env=self.child_env(), log=log, cwd=self.places.repo, pass_fds=pass_fds
        )
        self.services.append(Service(name, child, log, grace))

    def await_web(self, listener: Listener) -> None:
        """Wait for the first page; a page that fails counts as a failed start."""
        deadline = time.monotonic() + _PATIENCE
        while True:
            self.check()
            status = listener.answers()
            if status is not None and status < 500:
                return
            if status is not None or time.monotonic() > deadline:
                log = self.places.logs / "web.log"
                seen = f"answered with {status}" if status else "did not answer"
                raise Trouble(f"The web server {seen}: {last_line(log)} (details in {log})")
            time.sleep(0.1)

    def await_words(self, name: str, words: str) -> None:
        """Wait until a service has said in its log that it is ready."""
        deadline = time.monotonic() + _PATIENCE
        log = self.places.logs / f"{name}.log"
        while words not in log.read_text(encoding="utf-8", errors="replace"):
            self.check()
            if time.monotonic() > deadline:
                raise Trouble(f"The {name} is not ready: {last_line(log)} (details in {log})")
            time.sleep(0.1)

    def check(self) -> None:
        """Raise Stopped when asked to stop, Trouble when a service has ended by itself."""
        self.stop_request.check()
        for service in self.services:
            code = service.child.poll()
            if code is not None:
                how = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit code {code}"
                raise Trouble(
                    f"The {service.name} process ended by itself ({how}): "
                    f"{last_line(service.log)} (details in {service.log})"
                )

    def stop(self) -> None:
        """Stop all services in the order they were started: no new requests, then no new work."""
        for service in self.services:
            end(service.child, grace=service.grace)
        self.services.clear()


def run_attached(command: Sequence[str | Path], env: Mapping[str, str], stop: StopRequest) -> int:
    """Run a command on this terminal and return its exit code; pass a wish to stop on to it."""
    child = subprocess.Popen(
        [str(part) for part in command],
        env={**os.environ, **env},
        preexec_fn=ends_with_parent(signal.SIGTERM),
    )
    passed_on = False
    while child.poll() is None:
        if stop.number is not None and not passed_on:
            passed_on = True
            # The terminal sends Ctrl-C to the child itself; anything else came to us alone.
            if stop.number != signal.SIGINT or not sys.stdin.isatty():
                child.send_signal(stop.number)
            deadline = time.monotonic() + 20
        if passed_on and time.monotonic() > deadline:
            child.kill()
        time.sleep(0.05)
    return child.returncode if child.returncode >= 0 else 128 - child.returncode


def report_end(problem: BaseException | None) -> None:
    """One line when the demo goes down."""
    if isinstance(problem, Stopped) or problem is None:
        say("Stopping; this takes a few seconds.")
    else:
        say("Something went wrong; stopping everything.")
