"""Gives a command the database it needs: the site's own, the demo's, or one for a test run."""

import json
import os
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from studylab.boot import pg_place
from studylab.boot.pg_server import Server
from studylab.boot.places import KEY_NAMES, Lock, Places, Trouble, keys
from studylab.boot.process import StopRequest

_BUSY = "Another manage.py command is using the demo's database; waiting for it to end."


def given() -> str | None:
    """The DATABASE_URL set from outside, if any."""
    return os.environ.get("DATABASE_URL") or None


def demo_server(places: Places, stop: StopRequest) -> Server:
    """The server on the demo's data, not yet started."""
    home = pg_place.find(places)
    log = places.logs / "postgresql.log"
    return Server(home.bin, home.data(places), log, home.account, stop_request=stop)


@contextmanager
def for_demo(places: Places, stop: StopRequest) -> Iterator[dict[str, str]]:
    """Own the demo's database for as long as the demo runs. Yields settings for children."""
    if given():
        yield _keys_not_given(keys(places))
        return
    owner = Lock(places.run / "database.lock")
    if not owner.wait(seconds=300, told=_BUSY, stop=stop.check):
        raise Trouble(
            "Another manage.py command has kept the database for 5 minutes; end it first."
        )
    with _owned(places, stop, owner) as settings:
        yield settings


@contextmanager
def for_command(places: Places, stop: StopRequest) -> Iterator[dict[str, str]]:
    """The demo's database for one command: the running one if there is one."""
    owner = Lock(places.run / "database.lock")
    users = Lock(places.run / "database-users.lock")
    while not owner.take():
        if users.take(shared=True):
            try:
                if url := _running(places):
                    yield {"DATABASE_URL": url, **_keys_not_given(keys(places, may_make=False))}
                    return
            finally:
                users.let_go()
        stop.check()
        time.sleep(0.2)
    with _owned(places, stop, owner) as settings:
        yield settings
        # Others may have joined; none can join between this wait and the stop.
        users.wait(seconds=3600, told=_BUSY, stop=stop.check)
    users.let_go()


@contextmanager
def for_tests(places: Places, stop: StopRequest) -> Iterator[dict[str, str]]:
    """A server for one test run, quick and unsafe, thrown away afterwards."""
    with thrown_away(places, stop, "postgresql-test.log") as (server, password):
        yield {"DATABASE_URL": server.url(password)}


@contextmanager
def thrown_away(
    places: Places, stop: StopRequest, log: str, *, sure: bool = False
) -> Iterator[tuple[Server, str]]:
    """A server that its user may stop, crash and start again; yields it with the password of its role.

    One that is `sure` keeps through a crash what it has committed, as a site's does.
    """
    home = pg_place.find(places)
    _remove_abandoned(home)
    data = home.folder / f"test-{secrets.token_hex(4)}"
    lock = Lock(data.with_suffix(".lock"))
    lock.take()
    password = secrets.token_urlsafe(24)
    server = Server(
        home.bin,
        data,
        places.logs / log,
        home.account,
        throwaway=True,
        sure=sure,
        stop_request=stop,
    )
    try:
        server.start(password)
        yield server, password
    finally:
        server.stop()
        lock.path.unlink(missing_ok=True)
        lock.let_go()


def erase(places: Places) -> None:
    """Remove the demo's data, keys and queues; logs stay. The caller holds the demo's lock."""
    owner = Lock(places.run / "database.lock")
    if not owner.take():
        raise Trouble("Another manage.py command is using the demo's database; end it first.")
    try:
        server = demo_server(places, StopRequest())
        if server.data.exists():
            server.settle_earlier()
            shutil.rmtree(server.data)
        shutil.rmtree(places.state / "broker", ignore_errors=True)
        for note in ("keys.env", "database.json"):
            (places.state / note).unlink(missing_ok=True)
    finally:
        owner.let_go()


@contextmanager
def _owned(places: Places, stop: StopRequest, owner: Lock) -> Iterator[dict[str, str]]:
    """Start the demo's server, tell others where it is, stop it at the end, let `owner` go."""
    note = places.run / "database-url.json"
    try:
        server = demo_server(places, stop)
        secret = keys(places, may_make=not (server.data / "PG_VERSION").exists())
        password = secret["STUDYLAB_DATABASE_PASSWORD"]
        try:
            server.start(password)
            _write_private(note, {"url": server.url(password)})
            yield {"DATABASE_URL": server.url(password), **_keys_not_given(secret)}
        finally:
            note.unlink(missing_ok=True)
            server.stop()
    finally:
        owner.let_go()


def _keys_not_given(secret: dict[str, str]) -> dict[str, str]:
    """The keys for children, but for those set from outside."""
    names = (name for name in KEY_NAMES if name != "STUDYLAB_DATABASE_PASSWORD")
    outside = os.environ
    return {k: secret[k] for k in names if not outside.get(k) and not outside.get(f"{k}_FILE")}


def _running(places: Places) -> str | None:
    """The address of the server another command runs, once it is ready."""
    try:
        read = json.loads((places.run / "database-url.json").read_text(encoding="utf-8"))
        return str(read["url"])
    except (OSError, ValueError, KeyError):
        return None


def _write_private(path: Path, content: dict[str, str]) -> None:
    fresh = path.with_suffix(".new")
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        json.dump(content, file)
    fresh.rename(path)


def _remove_abandoned(home: pg_place.Home) -> None:
    """Remove what test runs left that were ended by a kill."""
    for path in home.folder.glob("test-*.lock"):
        lock = Lock(path)
        if not lock.take():
            continue
        data = path.with_suffix("")
        try:
            abandoned = Server(home.bin, data, path, home.account, throwaway=True)
            abandoned.settle_earlier()
            shutil.rmtree(data.with_name(data.name + ".new"), ignore_errors=True)
            abandoned.sockets = pg_place.socket_folder(data, home.account)
            abandoned.stop()
            path.unlink(missing_ok=True)
        finally:
            lock.let_go()
