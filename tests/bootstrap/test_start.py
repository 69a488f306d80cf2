"""Options, the Python version, ports, keys, locks: what is decided before anything runs."""

import os
import re
import socket
import stat
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from studylab import bootstrap
from studylab.boot import database, demo, pg_place
from studylab.boot.pg_server import is_server, pid_in
from studylab.boot.places import KEY_NAMES, Lock, Places, Trouble, keys
from studylab.boot.ports import listen
from studylab.boot.process import StopRequest
from tests import worlds
from tests.bootstrap.conftest import REPO, SmallSite


def test_options_of_demo() -> None:
    chosen = demo.options([])
    assert (chosen.host, chosen.port, chosen.today, chosen.reset) == (
        "127.0.0.1",
        8000,
        None,
        False,
    )
    chosen = demo.options(
        ["--host", "0.0.0.0", "--port", "9000", "--today", "2026-03-29", "--reset"]
    )
    assert (chosen.host, chosen.port) == ("0.0.0.0", 9000)
    assert (chosen.today, chosen.reset) == (date(2026, 3, 29), True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--port", "0"], "'0' is not a port from 1 to 65535"),
        (["--port", "65536"], "is not a port"),
        (["--port", "-1"], "is not a port"),
        (["--today", "29.3.2026"], "'29.3.2026' is not a date such as"),
        (["--today", "2026-02-30"], "is not a date such as"),
        (["--bogus"], "unrecognized arguments"),
    ],
)
def test_wrong_options_are_named(words: list[str], said: str, capsys) -> None:
    with pytest.raises(SystemExit) as ended:
        demo.options(words)
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_manage_without_words_shows_the_commands(capsys) -> None:
    assert bootstrap.main([]) == 0
    assert "manage.py demo" in capsys.readouterr().out


def test_the_tests_are_spread_over_the_cores_unless_told_how(monkeypatch) -> None:
    for cores, words in ((3, ["-n", "3", "--dist", "worksteal"]), (1, [])):
        monkeypatch.setattr(
            os, "sched_getaffinity", lambda _pid, n=cores: set(range(n)), raising=False
        )
        assert bootstrap._processes(["tests/people", "-k", "lock"]) == words
    for own in ("-n0", "--pdb", "-s", "--co"):
        assert bootstrap._processes([own]) == []


class Short:
    """A test as pytest collects it, as far as its order goes."""

    marks: tuple[str, ...] = ()

    def __init__(self, nodeid: str) -> None:
        self.nodeid = nodeid

    def get_closest_marker(self, name: str) -> bool | None:
        """Whether it is marked."""
        return name in self.marks or None


class Slow(Short):
    marks = ("slow",)


class InBrowser(Short):
    marks = ("browser",)


def test_files_with_long_tests_are_begun_first_and_stay_whole() -> None:
    items = [
        Short("a.py::1"),
        Short("b.py::1"),
        Slow("b.py::2"),
        InBrowser("c.py::1"),
        Short("d.py::1"),
    ]
    found = [item.nodeid for item in worlds.in_order(items)]
    assert found == ["b.py::1", "b.py::2", "c.py::1", "a.py::1", "d.py::1"]


@pytest.mark.parametrize("version", ["3.10", "3.14"])
def test_another_python_is_refused_in_one_line(version: str) -> None:
    numbers = ", ".join(version.split("."))
    code = f"import sys; sys.version_info = ({numbers}, 0); import manage; manage.main()"
    answer = subprocess.run(
        [sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True, check=False
    )
    assert answer.returncode == 1
    assert f"this is {version}.0" in answer.stderr
    assert answer.stderr.count("\n") == 1


def test_the_start_needs_the_standard_library_only() -> None:
    """An isolated Python without site packages imports all of it."""
    modules = [f"studylab.boot.{path.stem}" for path in (REPO / "studylab/boot").glob("[!_]*.py")]
    code = f"import sys; sys.path.insert(0, {str(REPO)!r}); import studylab.bootstrap"
    code += "".join(f", {name}" for name in modules)
    subprocess.run([sys.executable, "-I", "-S", "-c", code], check=True)
    assert len(modules) >= 8


def test_a_taken_port_gives_the_next_free_one() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        listener = listen("127.0.0.1", port)
        with listener.socket:
            assert port < listener.port <= port + 50
            assert listener.address == f"http://127.0.0.1:{listener.port}/"
            assert listener.answers() is None


def test_hosts_that_are_not_here_are_named() -> None:
    with pytest.raises(Trouble, match=r"--host 192\.0\.2\.1 is not an address of this machine"):
        listen("192.0.2.1", 8000)
    with pytest.raises(Trouble, match=r"--host no such\.host: no such address"):
        listen("no such.host", 8000)


def test_listening_everywhere_answers_to_any_name() -> None:
    listener = listen("0.0.0.0", 8000)
    with listener.socket:
        assert listener.hosts == "*"
        assert listener.address.startswith("http://127.0.0.1:")


def test_keys_set_from_outside_are_not_replaced(places: Places, monkeypatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgresql://127.0.0.1/site")
    monkeypatch.setenv("STUDYLAB_SECRET_KEY", "chosen")
    monkeypatch.setenv("STUDYLAB_CONTACT_KEY_FILE", "/run/secrets/contact")
    for name in ("STUDYLAB_ALLOCATION_KEY", "STUDYLAB_BACKUP_KEY"):
        monkeypatch.delenv(name, raising=False)
    with database.for_demo(places, StopRequest()) as settings:
        assert list(settings) == ["STUDYLAB_ALLOCATION_KEY", "STUDYLAB_BACKUP_KEY"]


def test_keys_are_made_once_and_kept_private(places: Places) -> None:
    first = keys(places)
    assert tuple(first) == KEY_NAMES
    assert len(set(first.values())) == len(KEY_NAMES)
    assert len(first["STUDYLAB_ALLOCATION_KEY"]) == 43  # 32 bytes in base64url
    assert len(first["STUDYLAB_SECRET_KEY"]) >= 50
    assert stat.S_IMODE((places.state / "keys.env").stat().st_mode) == 0o600
    assert keys(places) == first


def test_a_cut_off_keys_file_is_named(places: Places) -> None:
    keys(places)
    path = places.state / "keys.env"
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(Trouble, match="lacks STUDYLAB_ALLOCATION_KEY"):
        keys(places)


def test_a_copy_from_before_there_were_backups_gets_their_key(places: Places) -> None:
    first = keys(places)
    path = places.state / "keys.env"
    older = [one for one in path.read_text(encoding="utf-8").splitlines() if "BACKUP" not in one]
    path.write_text("\n".join(older), encoding="utf-8")
    second = keys(places)
    changed = {name for name in KEY_NAMES if first[name] != second[name]}
    assert changed == {"STUDYLAB_BACKUP_KEY"}
    assert keys(places) == second


def test_a_lock_is_held_by_one_and_freed_by_letting_go(places: Places) -> None:
    first, second = Lock(places.run / "x.lock"), Lock(places.run / "x.lock")
    assert first.take()
    assert not second.take()
    assert not second.wait(seconds=0, told="", stop=lambda: None)
    first.let_go()
    assert second.take()
    second.let_go()


def test_a_second_demo_is_refused_with_the_address_of_the_first(places: Places) -> None:
    first = Lock(places.run / "demo.lock")
    assert first.take()
    (places.run / "demo.json").write_text('{"address": "http://127.0.0.1:8000/"}', encoding="utf-8")
    with pytest.raises(Trouble, match=re.escape("already running at http://127.0.0.1:8000/")):
        demo.run(places, demo.options([]))
    first.let_go()


def test_reset_asks_and_takes_silence_as_no(small_site: SmallSite) -> None:
    state = small_site.folder / ".studylab"
    state.mkdir()
    (state / "keys.env").write_text("kept", encoding="utf-8")
    answer = small_site.manage("demo", "--reset", STUDYLAB_VENV="skip")
    assert answer.returncode == 1
    assert "[y/N]" in answer.stdout
    assert "Nothing was deleted" in answer.stdout
    assert (state / "keys.env").read_text(encoding="utf-8") == "kept"


def test_reset_never_touches_a_database_of_the_site(small_site: SmallSite) -> None:
    answer = small_site.manage(
        "demo", "--reset", STUDYLAB_VENV="skip", DATABASE_URL="postgresql://127.0.0.1/site"
    )
    assert answer.returncode == 1
    assert "DATABASE_URL names another database" in answer.stderr


def test_a_folder_that_is_not_ours_alone_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "sockets"
    pg_place.own_folder(folder, None)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    folder.chmod(0o755)
    with pytest.raises(Trouble, match="not safe to use"):
        pg_place.own_folder(folder, None)
    link = tmp_path / "link"
    link.symlink_to(tmp_path)
    with pytest.raises(Trouble, match="not safe to use"):
        pg_place.own_folder(link, None)


def test_a_socket_folder_taken_by_others_is_passed_over(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    data = tmp_path / ("long" * 40)
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/tmp")
    first = pg_place.socket_folder(data, None)
    try:
        assert len(os.fsencode(first)) < 90
        assert pg_place.socket_folder(data, None) == first
        first.chmod(0o777)
        second = pg_place.socket_folder(data, None)
        assert second == first.with_name(first.name + "-2")
        second.rmdir()
    finally:
        first.rmdir()


def test_a_server_is_told_from_a_stranger_by_its_command_line(tmp_path: Path) -> None:
    data = tmp_path / "data"
    assert is_server(["/x/bin/postgres", "-D", str(data), "-c", "port=5432"], data)
    assert not is_server(["/x/bin/postgres", "-D", "/other"], data)
    assert not is_server(["sleep", "-D", str(data)], data)
    assert not is_server(["postgres:", "checkpointer"], data)


@pytest.mark.parametrize(("text", "pid"), [("4711\n/data\n", 4711), ("", None), ("x\n", None)])
def test_pid_files_are_read_strictly(tmp_path: Path, text: str, pid: int | None) -> None:
    note = tmp_path / "postmaster.pid"
    note.write_text(text, encoding="utf-8")
    assert pid_in(note) == pid
    assert pid_in(tmp_path / "absent") is None
