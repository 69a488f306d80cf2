"""The settings of backups, read strictly from the environment."""

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from studylab import env


@dataclass(frozen=True, slots=True)
class BackupSettings:
    """Where backups go and with which key of their own, how often, how many stay, how often one is tried."""

    folder: Path | None
    key: bytes | None = field(repr=False)
    every: timedelta = timedelta(hours=24)
    keep: int = 14
    tried_every: timedelta = timedelta(0)


def backup_settings(state: Path, production: bool, others: Collection[bytes]) -> BackupSettings:
    """Read them. EnvProblem when folder and key do not come together, or the key opens something else too.

    `others` are the keys that must never be found where a backup is.
    """
    key = env.key("STUDYLAB_BACKUP_KEY") if env.text("STUDYLAB_BACKUP_KEY", "") else None
    if key is not None and key in others:
        raise env.EnvProblem(
            "STUDYLAB_BACKUP_KEY must differ from the allocation key and the contact key."
        )
    folder = env.text(
        "STUDYLAB_BACKUP_DIR", str(state / "backups") if key and not production else ""
    )
    if bool(folder) != (key is not None):
        raise env.EnvProblem(
            "STUDYLAB_BACKUP_DIR and STUDYLAB_BACKUP_KEY go together: set both, or neither."
        )
    return BackupSettings(
        folder=Path(folder) if folder else None,
        key=key,
        every=timedelta(hours=env.integer("STUDYLAB_BACKUP_HOURS", 24, low=1, high=168)),
        keep=env.integer("STUDYLAB_BACKUP_KEEP", 14, low=2, high=1000),
        tried_every=timedelta(days=env.integer("STUDYLAB_BACKUP_TRIAL_DAYS", 0, low=0, high=31)),
    )
