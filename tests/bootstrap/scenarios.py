"""What happens to PostgreSQL in a start's life. Run as a script by different accounts.

Standard library and studylab.boot only; the last line of the output is JSON with what was seen.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from studylab.boot import database, pg_place
from studylab.boot.pg_server import Server
from studylab.boot.places import Places, Trouble, keys
from studylab.boot.process import StopRequest, as_account, command_line


def places_in(repo: str) -> Places:
    """State folders of a copy of the program in `repo`."""
    places = Places(Path(repo), Path(repo) / ".studylab")
    places.make()
    return places


def ask(server: Server, url: str, text: str, **who: object) -> str:
    """Run SQL over a URL, as another account when `who` says so. Returns the answer or the error."""
    done = subprocess.run(
        [server.bin / "psql", "-X", "-A", "-t", "-d", url, "-c", text],
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
        **who,  # type: ignore[call-overload]
    )
    return (done.stdout or done.stderr).strip()


def life(repo: str) -> dict[str, object]:
    """First start, what the app may do, what others may not, stop, second start."""
    places, stop = places_in(repo), StopRequest()
    seen: dict[str, object] = {}
    with database.for_demo(places, stop) as settings:
        url = settings["DATABASE_URL"]
        server = database.demo_server(places, stop)
        sockets = url.split("host=")[1].split("&")[0]
        seen["role"] = ask(
            server, url, "SELECT rolsuper, rolcreatedb FROM pg_roles WHERE rolname = user"
        )
        seen["owner"] = ask(
            server,
            url,
            "SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = 'studylab'",
        )
        seen["extension"] = ask(server, url, "CREATE EXTENSION btree_gist")
        seen["locale"] = ask(
            server,
            url,
            "SELECT datlocprovider, datlocale, pg_encoding_to_char(encoding) FROM pg_database WHERE datname = 'studylab'",
        )
        seen["listens"] = ask(server, url, "SHOW listen_addresses") or "socket only"
        ask(server, url, "CREATE TABLE kept AS SELECT 42 AS number")
        seen["socket folder"] = f"{os.lstat(sockets).st_mode & 0o777:o}"
        seen["data folder"] = f"{os.lstat(server.data).st_mode & 0o777:o}"
        seen["wrong password"] = ask(server, url.replace("studylab:", "studylab:x", 1), "SELECT 1")
        if os.geteuid() == 0:
            stranger: dict[str, object] = {"user": 12345, "group": 12345, "extra_groups": []}
            seen["other account"] = ask(server, url, "SELECT 1", **stranger)
        pid = int((server.data / "postmaster.pid").read_text().splitlines()[0])
    seen["stopped"] = command_line(pid) is None and not Path(sockets).exists()
    began = time.monotonic()
    with database.for_demo(places, stop) as settings:
        seen["kept"] = ask(server, settings["DATABASE_URL"], "SELECT number FROM kept")
        seen["second start"] = time.monotonic() - began
    return seen


def liars(repo: str) -> dict[str, object]:
    """Start after a kill, after a pid file that names a stranger, and after an empty one."""
    places, stop = places_in(repo), StopRequest()
    server = database.demo_server(places, stop)
    note = server.data / "postmaster.pid"
    seen: dict[str, object] = {}
    with database.for_demo(places, stop) as settings:
        ask(server, settings["DATABASE_URL"], "CREATE TABLE kept AS SELECT 7 AS number")
        os.kill(int(note.read_text().splitlines()[0]), signal.SIGKILL)
    with database.for_demo(places, stop) as settings:
        seen["after a kill"] = ask(server, settings["DATABASE_URL"], "SELECT number FROM kept")
        lines = note.read_text().splitlines()
    # As the server's own account: PostgreSQL takes any process it may signal for its server.
    stranger = subprocess.Popen(["sleep", "60"], **as_account(server.account))
    note.write_text("\n".join([str(stranger.pid), *lines[1:]]) + "\n")
    with database.for_demo(places, stop) as settings:
        seen["stranger"] = ask(server, settings["DATABASE_URL"], "SELECT number FROM kept")
    seen["stranger lives"] = stranger.poll() is None
    stranger.kill()
    note.write_text("")
    with database.for_demo(places, stop) as settings:
        seen["empty file"] = ask(server, settings["DATABASE_URL"], "SELECT number FROM kept")
    return seen


def hold(repo: str) -> dict[str, object]:
    """Start, say so, and stay until killed."""
    places = places_in(repo)
    with database.for_demo(places, StopRequest()) as settings:
        server = database.demo_server(places, StopRequest())
        pid = int((server.data / "postmaster.pid").read_text().splitlines()[0])
        print(json.dumps({"pid": pid, "url": settings["DATABASE_URL"]}), flush=True)
        time.sleep(120)
    return {}


def command(repo: str, seconds: str) -> dict[str, object]:
    """Use the database as a short command does, beside others."""
    places, stop = places_in(repo), StopRequest()
    with database.for_command(places, stop) as settings:
        server = database.demo_server(places, stop)
        answer = ask(server, settings["DATABASE_URL"], f"SELECT 1 FROM pg_sleep({float(seconds)})")
    return {"answer": answer}


def tests(repo: str) -> dict[str, object]:
    """The server of a test run, and what is left of it."""
    places, stop = places_in(repo), StopRequest()
    with database.for_tests(places, stop) as settings:
        home = pg_place.find(places)
        server = Server(home.bin, home.folder, places.logs / "x.log", home.account)
        fsync = ask(server, settings["DATABASE_URL"], "SHOW fsync")
    return {"fsync": fsync, "left": [entry.name for entry in home.folder.glob("test-*")]}


def lost_keys(repo: str) -> dict[str, object]:
    """Start on data whose keys file is gone."""
    places = places_in(repo)
    with database.for_demo(places, StopRequest()):
        assert keys(places)
    (places.state / "keys.env").unlink()
    try:
        with database.for_demo(places, StopRequest()):
            return {"said": "nothing"}
    except Trouble as problem:
        return {"said": str(problem)}


if __name__ == "__main__":
    print(json.dumps(globals()[sys.argv[1]](*sys.argv[2:])))
