"""What is known of the backups that were made."""

import socket
from datetime import datetime
from pathlib import Path

from django.conf import settings

from studylab.backups import files
from studylab.backups.models import BackupRun
from studylab.backups.rules.keeping import is_due, trial_is_due
from studylab.backups.rules.line import Known, backup_line
from studylab.operation.rules.status import Line

_VAIN = ("failed", "stopped")


def known() -> Known:
    """Return the newest good backup, the newest trial that found the same, and the last vain attempt."""
    good = BackupRun.objects.filter(state="done").order_by("-snapshot_at").first()
    tried = BackupRun.objects.filter(trial="same").order_by("-tried_at").first()
    judged = BackupRun.objects.exclude(trial="").order_by("-tried_at").first()
    vain = BackupRun.objects.filter(state__in=_VAIN).order_by("-ended_at").first()
    return Known(
        at=good.snapshot_at if good else None, size=(good.size or 0) if good else 0, place=good.place if good else "",
        is_gone=good is not None and _is_gone(good.place),
        trial=judged.trial if judged else "", trial_problem=judged.trial_problem if judged else "",
        tried_at=tried.tried_at if tried else None, vain_at=vain.ended_at if vain else None,
        trouble=(vain.trouble or "it was stopped.") if vain else "",
    )  # fmt: skip


def due_by_itself(at: datetime) -> bool:
    """Whether a backup is to begin: it is due, the site is set up for it, and none is under way."""
    if not files.is_on() or BackupRun.objects.filter(state__in=["waiting", "running"]).exists():
        return False
    seen = known()
    return is_due(seen.at, seen.vain_at, settings.BACKUP.every, at)


def trial_due(at: datetime) -> bool:
    """Whether the coming backup is to be restored for a trial."""
    return trial_is_due(known().tried_at, settings.BACKUP.tried_every, at)


def backups_line(at: datetime) -> Line:
    """Judge the backups for the site's status."""
    return backup_line(
        known(), at, is_on=files.is_on(), in_production=settings.PRODUCTION, every=settings.BACKUP.every, tried_every=settings.BACKUP.tried_every
    )  # fmt: skip


def _is_gone(place: str) -> bool:
    """Whether the file is missing, where this machine can tell."""
    here, _, path = place.partition(", ")
    return here == f"on {socket.gethostname()}" and not Path(path).exists()
