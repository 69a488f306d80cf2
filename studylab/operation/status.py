"""Every line of the site's status: our own, and those that other areas register."""

import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

from django.conf import settings
from django.db import transaction

from studylab.operation import checks
from studylab.operation.models import StatusNote
from studylab.operation.rules.status import TICK_WRONG, Line, State

log = logging.getLogger(__name__)
Check = Callable[[datetime], Line]

_ORDER = (
    "web", "writing", "workers", "beat", "queue", "backup", "restored", "mail", "database", "broker", "seals", "disk", "clock",
)  # fmt: skip
_checks: dict[str, Check] = {}


def register_status(key: str, check: Check) -> None:
    """Add a line, or take the place of one that says that nothing is there yet. Call it in `AppConfig.ready()`.

    `check` takes the time and returns the line; it reads, never writes, and names no person and nothing of a study.
    """
    _checks[key] = check


def status_lines(at: datetime) -> list[Line]:
    """Return how everything stands now, each with since when, where that is known."""
    every = {**checks.OWN, "backup": _no_backup, **_checks}
    place = {key: number for number, key in enumerate(_ORDER)}
    keys = sorted(every, key=lambda key: (place.get(key, len(place)), key))
    notes = StatusNote.objects.in_bulk()
    return [_dated(_looked_at(key, every[key], at), notes.get(key)) for key in keys]


def wrong_notes() -> list[StatusNote]:
    """Return what was wrong at the last tick, for front pages: one query, nothing is looked at anew."""
    return list(StatusNote.objects.filter(state=State.WRONG).order_by("key"))


def note_status(at: datetime) -> None:
    """Note how every line stands, so that it is known since when; called by the tick."""
    before = StatusNote.objects.in_bulk()
    for line in status_lines(at):
        state = State.OK if line.key == "beat" else line.state  # a tick is being heard
        old = before.pop(line.key, None)
        same = old is not None and old.state == state and at - old.seen_at <= TICK_WRONG
        since = old.since if old is not None and same else line.since or at
        if line.key == "beat" and not same:
            since = at
        StatusNote.objects.update_or_create(
            key=line.key,
            defaults={"title": line.title, "state": state, "since": since, "seen_at": at},
        )
    StatusNote.objects.filter(key__in=before).delete()


def _looked_at(key: str, check: Check, at: datetime) -> Line:
    """Look; what cannot be looked at is wrong, never left out."""
    try:
        with transaction.atomic():
            return check(at)
    except Exception:
        log.exception("The status %r could not be looked at.", key)
        todo = "The program's log says why."
        return Line(key, key.capitalize(), State.WRONG, "This could not be looked at.", todo)


def _dated(line: Line, note: StatusNote | None) -> Line:
    if line.since is None and note is not None and note.state == line.state:
        return replace(line, since=note.since)
    return line


def _no_backup(_at: datetime) -> Line:
    state = State.WRONG if settings.PRODUCTION else State.LOOK
    todo = "Make one and try to restore it, before anybody relies on this site."
    return Line("backup", "Backup", state, "None made yet: no backup command has run.", todo)
