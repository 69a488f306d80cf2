"""Starts workers, schedulers and web servers quicker than they start alone: all is imported once, each is a fork of that.

Reads a line of JSON for each: the words of its command line and the file for its output. Writes its process id. What it
forks leads a process group of its own, opens its own connections and is cleared away when it has ended.
"""

import json
import os
import signal
import sys

import django
from celery.bin.celery import main as celery

from tests.outbox.faults.app import app


def serve() -> None:
    """Fork a process for each line until there are no more."""
    django.setup()
    app.loader.import_default_modules()
    app.finalize()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the system clears away what has ended
    while line := sys.stdin.readline():
        told = json.loads(line)
        child = os.fork()
        if not child:
            _become(told["words"], told["output"])
        print(child, flush=True)


def _become(words: list[str], output: str) -> None:
    """Be a process of Celery or a web server from here on."""
    os.setsid()
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    file = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    for stream in (1, 2):
        os.dup2(file, stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    if words[0] == "gunicorn":
        from gunicorn.app.wsgiapp import run

        sys.argv = words
        sys.exit(run())
    sys.argv = ["celery", "-A", "tests.outbox.faults.app", *words[1:]]
    sys.exit(celery())


if __name__ == "__main__":
    serve()
