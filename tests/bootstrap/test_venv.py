"""Making .venv: finished, half-made, stale, and the machines on which it cannot be made."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from studylab.boot import venv
from studylab.boot.places import Places, Trouble
from tests.bootstrap.conftest import SmallSite

VERSION = f"{sys.version_info[0]}.{sys.version_info[1]}"


@pytest.fixture
def prepared(places: Places) -> Places:
    """A finished environment without packages, made by Python itself."""
    (places.repo / "requirements.txt").write_text("tiny==1\n", encoding="utf-8")
    base = getattr(sys, "_base_executable", sys.executable)
    subprocess.run([base, "-m", "venv", "--without-pip", places.venv], check=True)
    stamp = {"requirements": venv.wanted(places), "python": VERSION}
    (places.venv / venv.STAMP).write_text(json.dumps(stamp), encoding="utf-8")
    return places


def test_a_finished_one_is_known(prepared: Places) -> None:
    assert venv.is_complete(prepared)


@pytest.mark.parametrize("stamp", ["", "{", "[]", '{"python": "3.11"}'])
def test_without_a_good_stamp_it_is_half_made(prepared: Places, stamp: str) -> None:
    (prepared.venv / venv.STAMP).write_text(stamp, encoding="utf-8")
    assert not venv.is_complete(prepared)


def test_other_requirements_make_it_stale(prepared: Places) -> None:
    (prepared.repo / "requirements.txt").write_text("tiny==2\n", encoding="utf-8")
    assert not venv.is_complete(prepared)


def test_a_python_that_went_away_makes_it_stale(prepared: Places) -> None:
    python = venv.python_of(prepared.venv)
    python.unlink()
    python.symlink_to("/nonexistent/python3")
    assert not venv.is_complete(prepared)


def test_a_python_of_another_version_makes_it_stale(prepared: Places) -> None:
    stamp = {"requirements": venv.wanted(prepared), "python": "3.9"}
    (prepared.venv / venv.STAMP).write_text(json.dumps(stamp), encoding="utf-8")
    assert not venv.is_complete(prepared)


def test_a_folder_of_someone_else_is_not_removed(places: Places, monkeypatch) -> None:
    monkeypatch.delenv("STUDYLAB_VENV", raising=False)
    monkeypatch.setattr(sys, "prefix", sys.base_prefix)
    (places.repo / "requirements.txt").write_text("tiny==1\n", encoding="utf-8")
    places.venv.mkdir()
    (places.venv / "thesis.txt").write_text("years of work", encoding="utf-8")
    with pytest.raises(Trouble, match=r"thesis\.txt.*Move it away"):
        venv.ensure(places)
    assert (places.venv / "thesis.txt").exists()


def test_python_without_the_venv_module_is_one_line(places: Places, monkeypatch) -> None:
    monkeypatch.delenv("STUDYLAB_VENV", raising=False)
    monkeypatch.setattr(sys, "prefix", sys.base_prefix)
    # None is what Python itself keeps for a module that cannot be imported.
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    (places.repo / "requirements.txt").write_text("tiny==1\n", encoding="utf-8")
    with pytest.raises(Trouble, match=rf"apt-get install python{VERSION}-venv"):
        venv.ensure(places)


@pytest.mark.slow
def test_from_no_network_over_a_wrong_file_to_a_second_start(small_site: SmallSite) -> None:
    wheel = next(small_site.index.iterdir())
    away = wheel.rename(small_site.folder / wheel.name)
    offline = {"PIP_NO_INDEX": "0", "PIP_INDEX_URL": "http://127.0.0.1:9/simple"}
    answer = small_site.manage("demo", **offline)
    assert answer.returncode == 1
    assert "there is no network" in answer.stderr
    assert answer.stderr.count("\n") == 1

    away.rename(wheel)
    requirements = small_site.folder / "requirements.txt"
    right = requirements.read_text(encoding="utf-8")
    requirements.write_text(right.split("sha256:")[0] + "sha256:" + "0" * 64, encoding="utf-8")
    answer = small_site.manage("prepare")
    assert answer.returncode == 1
    assert "Found a half-made .venv" in answer.stdout
    assert "not the file that was pinned" in answer.stderr
    assert answer.stderr.count("\n") == 1

    requirements.write_text(right, encoding="utf-8")
    answer = small_site.manage("prepare")
    assert answer.returncode == 0, answer.stderr
    assert "Installing 1 pinned packages" in answer.stdout
    python = small_site.folder / ".venv/bin/python"
    subprocess.run([python, "-c", "import studylab_tiny"], check=True)
    assert small_site.manage("prepare").stdout == f"Ready: {python}\n"

    requirements.write_text(right + "# changed\n", encoding="utf-8")
    assert "bringing .venv up to date" in small_site.manage("prepare").stdout


def test_a_folder_that_cannot_be_written_is_one_line(small_site: SmallSite, tmp_path: Path) -> None:
    # A file in the place of a folder stops root as well, whom read-only rights do not stop.
    blocked = tmp_path / "file"
    blocked.touch()
    answer = small_site.manage("prepare", STUDYLAB_STATE_DIR=str(blocked / "state"))
    assert answer.returncode == 1
    assert "STUDYLAB_STATE_DIR" in answer.stderr
    assert answer.stderr.count("\n") == 1


def test_other_environment_or_skip_is_taken_as_it_is(places: Places, monkeypatch) -> None:
    monkeypatch.setenv("STUDYLAB_VENV", "skip")
    assert venv.ensure(places) == Path(sys.executable)
    monkeypatch.delenv("STUDYLAB_VENV")
    if sys.prefix != sys.base_prefix:
        assert venv.ensure(places) == Path(sys.executable)
