"""The start of everything: from a bare Python to a running command. Standard library only."""

import os
import sys
import tempfile
from pathlib import Path

from studylab.boot import database, demo, venv
from studylab.boot.places import Places, Trouble, keep_output_clean, say
from studylab.boot.process import Stopped, StopRequest
from studylab.boot.supervisor import run_attached

USAGE = """\
python3 manage.py demo      run the program with an invented lab and study (demo --help)
python3 manage.py test      run the tests; anything after it goes to pytest
python3 manage.py prepare   only make .venv with the pinned packages
python3 manage.py help      the other commands"""


def main(words: list[str]) -> int:
    """Run one manage.py command. Returns the exit code; trouble is one line, never a traceback."""
    if not words or words[0] in ("-h", "--help"):
        say(USAGE)
        return 0
    try:
        return _run(words)
    except Trouble as trouble:
        print(f"Studylab: {trouble}", file=sys.stderr)
        return 1
    except (KeyboardInterrupt, Stopped):
        print("Stopped.", file=sys.stderr)
        return 130
    except OSError as problem:
        where = f" ({problem.filename})" if problem.filename else ""
        print(
            f"Studylab: the system refused something the start needs: {problem.strerror}{where}. "
            "Check the rights and the free space of that place, then start again.",
            file=sys.stderr,
        )
        return 1


def _run(words: list[str]) -> int:
    chosen = demo.options(words[1:]) if words[0] == "demo" else None
    if words[0] not in ("demo", "test", "prepare"):
        keep_output_clean()
    places = Places.from_environment()
    places.make()
    python = venv.ensure(places)
    if python.parent != Path(sys.executable).parent:
        # From here on inside the environment; the same process, so signals and terminal stay.
        sys.stdout.flush()
        os.execv(python, [str(python), str(places.repo / "manage.py"), *words])
    if words[0] == "prepare":
        say(f"Ready: {python}")
        return 0
    if chosen is not None:
        return demo.run(places, chosen)
    if words[0] == "test":
        return _tests(places, words[1:])
    return _command(places, words)


def _tests(places: Places, words: list[str]) -> int:
    """Run pytest on a throw-away server, or on the one DATABASE_URL names."""
    command = [sys.executable, "-m", "pytest", *_processes(words), *words]
    stop = StopRequest()
    stop.listen()
    try:
        # Queues and files of a test run must not meet those of a demo.
        with tempfile.TemporaryDirectory(prefix="studylab-test-") as state:
            env = {"STUDYLAB_ENV": "test", "STUDYLAB_STATE_DIR": state}
            if database.given():
                return run_attached(command, env, stop)
            with database.for_tests(places, stop) as settings:
                return run_attached(command, {**env, **settings}, stop)
    finally:
        stop.forget()


def _processes(words: list[str]) -> list[str]:
    """Spread the tests over the cores, unless told how or debugging.

    Each core gets a run of neighbours, which begin with the same rows (tests/worlds.py); one that is through takes
    over from the end of another's run, so that no core is left alone with the long ones.
    """
    own = (
        "-n",
        "--numprocesses",
        "--pdb",
        "--trace",
        "-s",
        "--capture=no",
        "--collect-only",
        "--co",
    )
    if any(word.startswith("-n") or word in own for word in words):
        return []
    cores = (
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    )
    return ["-n", str(cores), "--dist", "worksteal"] if cores > 1 else []


def _command(places: Places, words: list[str]) -> int:
    """Run one of Django's commands, with the demo's database unless DATABASE_URL names one."""
    if database.given():
        return _django(words)
    command = [sys.executable, str(places.repo / "manage.py"), *words]
    env = {"STUDYLAB_ENV": os.environ.get("STUDYLAB_ENV") or "demo", "STUDYLAB_VENV": "skip"}
    if today := demo.running(places).get("today"):
        env.setdefault("STUDYLAB_TODAY", os.environ.get("STUDYLAB_TODAY") or today)
    stop = StopRequest()
    stop.listen()
    try:
        with database.for_command(places, stop) as settings:
            return run_attached(command, {**settings, **env}, stop)
    finally:
        stop.forget()


def _django(words: list[str]) -> int:
    """Hand over to Django in this process; a wrong setting is one line as well."""
    from django.core.management import execute_from_command_line

    from studylab.env import EnvProblem

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")
    try:
        execute_from_command_line(["manage.py", *words])
    except EnvProblem as problem:
        raise Trouble(str(problem)) from problem
    return 0
