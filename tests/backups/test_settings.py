"""The settings of backups: all or nothing, and a key of their own."""

from base64 import urlsafe_b64encode
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from studylab.backups.settings import backup_settings
from studylab.env import EnvProblem

KEY = bytes(range(32))
TEXT = urlsafe_b64encode(KEY).decode()
STATE = Path("/srv/state")


def read(
    monkeypatch: Any, *, production: bool = True, others: tuple[bytes, ...] = (), **given: str
) -> Any:
    for name in ("KEY", "DIR", "HOURS", "KEEP", "TRIAL_DAYS"):
        monkeypatch.delenv(f"STUDYLAB_BACKUP_{name}", raising=False)
    for name, value in given.items():
        monkeypatch.setenv(f"STUDYLAB_BACKUP_{name}", value)
    return backup_settings(STATE, production, others)


def test_nothing_said_means_no_backups(monkeypatch: Any) -> None:
    assert read(monkeypatch).folder is read(monkeypatch).key is None


def test_a_key_alone_is_enough_for_a_demonstration_only(monkeypatch: Any) -> None:
    assert read(monkeypatch, production=False, KEY=TEXT).folder == STATE / "backups"
    for given in ({"KEY": TEXT}, {"DIR": "/srv/backups"}):
        with pytest.raises(EnvProblem, match="set both, or neither"):
            read(monkeypatch, **given)


def test_the_key_is_one_of_its_own_and_never_shown(monkeypatch: Any) -> None:
    with pytest.raises(EnvProblem, match="must differ from the allocation key") as told:
        read(monkeypatch, others=(KEY,), KEY=TEXT, DIR="/srv/backups")
    assert TEXT not in str(told.value)
    found = read(monkeypatch, KEY=TEXT, DIR="/srv/backups", HOURS="6", TRIAL_DAYS="7")
    assert (found.every, found.tried_every) == (timedelta(hours=6), timedelta(days=7))
    assert repr(KEY) not in repr(found)


def test_nonsense_is_refused(monkeypatch: Any) -> None:
    for name, value in (("KEY", "short"), ("HOURS", "0"), ("KEEP", "1"), ("TRIAL_DAYS", "-1")):
        with pytest.raises(EnvProblem, match=f"STUDYLAB_BACKUP_{name}"):
            read(monkeypatch, **{"KEY": TEXT, "DIR": "/srv/backups", name: value})
