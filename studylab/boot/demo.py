"""`manage.py demo`: everything up, the address and the sign-ins shown, everything down again."""

import argparse
import hashlib
import json
import os
import shutil
import time
from datetime import date
from pathlib import Path

from studylab.boot import database, process
from studylab.boot.places import Lock, Places, Trouble, say
from studylab.boot.ports import Listener, listen
from studylab.boot.process import Stopped, StopRequest
from studylab.boot.supervisor import Supervisor, report_end


def options(words: list[str]) -> argparse.Namespace:
    """Read the command line of `demo`; ends the program with a usage line when it is wrong."""
    parser = argparse.ArgumentParser(
        prog="manage.py demo", description="Run Studylab with an invented lab and study."
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
    parser.add_argument(
        "--port", type=_port, default=8000, help="port, or the next free one (8000)"
    )
    parser.add_argument("--today", type=_day, help="pretend that today is this date (2026-11-25)")
    parser.add_argument("--reset", action="store_true", help="delete the demo's data first (asks)")
    return parser.parse_args(words)


def run(places: Places, chosen: argparse.Namespace) -> int:
    """Run the demo until it is asked to stop. Returns the exit code."""
    running = Lock(places.run / "demo.lock")
    if not running.take():
        raise Trouble(
            f"The demo is already running{_where(places)}. Stop that one with Ctrl-C first."
        )
    (places.run / "demo.json").unlink(missing_ok=True)  # an earlier start may have been killed
    stop = StopRequest()
    try:
        if left := process.sweep(places.state):
            say(f"Ended {left} processes that an earlier start left behind.")
        if chosen.reset and not _reset(places):
            return 1
        stop.listen()
        with database.for_demo(places, stop) as settings:
            _supervise(places, chosen, settings, stop)
    except Stopped:
        say("Stopped.")
    finally:
        stop.forget()
        running.let_go()
    return 0


def _supervise(
    places: Places, chosen: argparse.Namespace, settings: dict[str, str], stop: StopRequest
) -> None:
    """Prepare, start, show, wait; whatever happens, leave no service behind."""
    listener = listen(chosen.host, chosen.port)
    if listener.port != chosen.port:
        say(f"Port {chosen.port} is taken; using {listener.port}.")
    supervisor = Supervisor(places, _environment(places, chosen, settings, listener), stop)
    problem: BaseException | None = None
    try:
        _prepare(supervisor)
        _start(supervisor, listener)
        _show(supervisor, chosen, listener)
        while True:
            supervisor.check()
            time.sleep(0.2)
    except BaseException as caught:
        problem = caught
        raise
    finally:
        report_end(problem)
        (places.run / "demo.json").unlink(missing_ok=True)
        listener.socket.close()
        supervisor.stop()


def _environment(
    places: Places, chosen: argparse.Namespace, settings: dict[str, str], listener: Listener
) -> dict[str, str]:
    said = {
        "STUDYLAB_ENV": "demo",
        "STUDYLAB_STATE_DIR": str(places.state),
        "STUDYLAB_HOSTS": os.environ.get("STUDYLAB_HOSTS") or listener.hosts,
        **settings,
    }
    if chosen.today:
        said["STUDYLAB_TODAY"] = chosen.today.isoformat()
    return said


def _prepare(supervisor: Supervisor) -> None:
    """Tables, style sheets, demo data."""
    places = supervisor.places
    say("Bringing the tables up to date.")
    supervisor.step("migrate", "--no-input")
    now = _static_fingerprint(places.repo)
    note = places.state / "static.json"
    if not note.exists() or note.read_text(encoding="utf-8") != now:
        say("Collecting style sheets and scripts.")
        supervisor.step("collectstatic", "--no-input", "--clear")
        note.write_text(now, encoding="utf-8")
    say("Loading the demo study, unless it is there already.")
    supervisor.step("load_demo", "--if-empty")
    _fresh_broker(places)


def _start(supervisor: Supervisor, listener: Listener) -> None:
    say("Starting the web server, the worker and the scheduler.")
    web = ["gunicorn", "studylab.wsgi:application", "--bind", f"fd://{listener.socket.fileno()}"]
    web += ["--worker-class", "gthread", "--workers", "2", "--threads", "4", "--timeout", "30"]
    web += ["--graceful-timeout", "5", "--no-control-socket", "--access-logfile", "-"]
    supervisor.start("web", web, grace=10, pass_fds=[listener.socket.fileno()])
    worker = ["celery", "-A", "studylab", "worker", "--concurrency", "2", "--loglevel", "INFO"]
    # One worker has no others to talk to; with files as the broker, talk piles up.
    worker += ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    supervisor.start("worker", worker, grace=20)
    # The timetable file is disposable: what is due stands in the database, and a power cut breaks it.
    timetable = supervisor.places.run / "timetable"
    for old in timetable.parent.glob("timetable*"):
        old.unlink()
    beat = ["celery", "-A", "studylab", "beat", "--schedule", str(timetable), "--pidfile="]
    supervisor.start("scheduler", [*beat, "--loglevel", "INFO"], grace=5)
    supervisor.await_web(listener)
    supervisor.await_words("worker", " ready.")
    supervisor.await_words("scheduler", "beat: Starting...")


def _show(supervisor: Supervisor, chosen: argparse.Namespace, listener: Listener) -> None:
    sign_ins = supervisor.step("demo_sign_ins")
    note = {"pid": os.getpid(), "address": listener.address}
    if chosen.today:
        note["today"] = chosen.today.isoformat()
    (supervisor.places.run / "demo.json").write_text(json.dumps(note), encoding="utf-8")
    say("")
    say(sign_ins.rstrip())
    say("")
    if listener.everywhere:
        say("Other machines reach it too, over plain http: enter nothing about real people.")
    say(f"Studylab is running at {listener.address}  (Ctrl-C stops it)")


def running(places: Places) -> dict[str, str]:
    """What a running demo noted about itself: address, and today's date when it was set."""
    try:
        read = json.loads((places.run / "demo.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return read if isinstance(read, dict) else {}


def _where(places: Places) -> str:
    address = running(places).get("address")
    return f" at {address}" if address else ""


def _reset(places: Places) -> bool:
    """Delete the demo's data after a yes. False when the answer was anything else."""
    if database.given():
        raise Trouble(
            "--reset deletes only the demo's own data, but DATABASE_URL names another database. "
            "Unset DATABASE_URL, or empty that database yourself."
        )
    prompt = f"Delete the demo's database and everything entered into it ({places.state})? [y/N] "
    try:
        answer = input(prompt)
    except EOFError:
        answer = ""
        say("")
    if answer.strip().lower() not in ("y", "yes"):
        say("Nothing was deleted.")
        return False
    database.erase(places)
    say("The demo's data is deleted.")
    return True


def _fresh_broker(places: Places) -> None:
    """Empty folders for messages between processes; old messages only knock, so they may go."""
    broker = places.state / "broker"
    if broker.exists():
        shutil.rmtree(broker)
    for name in ("messages", "control"):
        (broker / name).mkdir(mode=0o700, parents=True)
    broker.chmod(0o700)


def _static_fingerprint(repo: Path) -> str:
    """What the collected files depend on: our own files by name, size and time, and the packages."""
    seen = hashlib.sha256((repo / "requirements.txt").read_bytes())
    for folder in sorted(repo.glob("*/static")) + sorted(repo.glob("*/*/static")):
        if ".studylab" in folder.parts or ".venv" in folder.parts:
            continue
        for path in sorted(folder.rglob("*")):
            status = path.stat()
            seen.update(f"{path}|{status.st_size}|{status.st_mtime_ns}\n".encode())
    return seen.hexdigest()


def _port(word: str) -> int:
    if not word.isdigit() or not 1 <= int(word) <= 65535:
        raise argparse.ArgumentTypeError(f"{word!r} is not a port from 1 to 65535")
    return int(word)


def _day(word: str) -> date:
    try:
        return date.fromisoformat(word)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{word!r} is not a date such as 2026-11-25") from None
