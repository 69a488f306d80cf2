"""The line about backups in the site's status, judged from what is known of them. Pure; the limits are our own figures."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from studylab.operation.rules.status import Line, State, size_text

LATE, WRONG = timedelta(hours=2), timedelta(hours=26)  # beyond the rhythm
UNTRIED = timedelta(days=9)  # beyond the rhythm of trials
NONE_YET = "None made yet: no backup command has run."
NOT_SET = "Set STUDYLAB_BACKUP_DIR and STUDYLAB_BACKUP_KEY (see README) before anybody relies on this site."


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the newest good backup, of trials, and of the last vain attempt."""

    at: datetime | None = None
    size: int = 0
    place: str = ""
    is_gone: bool = False
    trial: str = ""
    trial_problem: str = ""
    tried_at: datetime | None = None  # the last trial that found the same
    vain_at: datetime | None = None
    trouble: str = ""


def backup_line(
    known: Known, at: datetime, *, is_on: bool, in_production: bool, every: timedelta, tried_every: timedelta
) -> Line:  # fmt: skip
    """Judge the backups: one is there, young enough, whole, and one was restored not long ago."""
    said = _said(known, at)
    if not is_on:
        state = State.WRONG if in_production else State.LOOK
        return Line("backup", "Backup", state, said, NOT_SET)
    failed = known.vain_at is not None and (known.at is None or known.vain_at > known.at)
    if failed:
        said = f"{said} The last attempt failed: {known.trouble}"
    late = None if known.at is None else at - known.at - every
    if late is None or late > WRONG:
        state = State.WRONG if in_production or late is not None or failed else State.LOOK
        todo = "Look at workers and scheduler above, then run python3 manage.py backup, which says what is wrong."
        return Line("backup", "Backup", state, said, todo, known.at)
    if known.is_gone:
        todo = "Find out who moved it, and make another: python3 manage.py backup."
        return Line("backup", "Backup", State.WRONG, f"{said} That file is gone.", todo)
    if known.trial == "differs":
        todo = "Change nothing. Keep the files, run manage.py restore --trial on the one before, and tell whoever runs the site."
        return Line(
            "backup", "Backup", State.WRONG, f"{said} {known.trial_problem}", todo, known.at
        )
    return _not_wrong(known, at, said, failed or late > LATE, tried_every)


def _not_wrong(
    known: Known, at: datetime, said: str, is_late: bool, tried_every: timedelta
) -> Line:
    if is_late:
        todo = "It is tried again within the hour. If that fails too, run python3 manage.py backup by hand."
        return Line("backup", "Backup", State.LOOK, said, todo)
    if (
        known.trial == "not_begun"
        or known.tried_at is None
        or at - known.tried_at > tried_every + UNTRIED
    ):
        todo = known.trial_problem or "Try one: python3 manage.py backup --verify."
        return Line("backup", "Backup", State.LOOK, said, todo)
    return Line("backup", "Backup", State.OK, said)


def _said(known: Known, at: datetime) -> str:
    if known.at is None:
        return NONE_YET
    tried = (
        f"restored for a trial and found the same {known.tried_at:%a %d %b, %H:%M} UTC"
        if known.tried_at
        else "no backup was restored for a trial yet"
    )
    hours = round((at - known.at).total_seconds() / 3600)
    ago = "within the hour" if hours < 1 else f"{hours} hour{'' if hours == 1 else 's'} ago"
    return f"Last of {known.at:%a %d %b, %H:%M} UTC, {ago}, {size_text(known.size)}, {known.place}; {tried}."
