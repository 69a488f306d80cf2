"""Bring the tables up to date: Django's command, one at a time, patient, and cut off with the process that runs it."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from django.core.management.base import CommandError
from django.core.management.commands import migrate
from django.db import DatabaseError, OperationalError, connections

_OURS = 6021023  # of the advisory lock
_LONGEST = 3600  # seconds to wait for another migration
# Pages have seconds; a migration may rewrite a large table. The last one ends what a killed process had begun.
_SETTINGS = {
    "statement_timeout": "0",
    "lock_timeout": "60s",
    "client_connection_check_interval": "1s",
}
_IN_USE = (
    "Something else kept a table for a minute: {problem}. Stop web, workers and scheduler, then start migrate again. "
    "Each migration is done whole or not at all, so it goes on where it stands."
)


class Command(migrate.Command):
    """Each migration is one transaction, so a run that was interrupted is simply started again."""

    def handle(self, *args: Any, **options: Any) -> None:
        """Migrate, or say what stands in the way."""
        if options["check_unapplied"] or options["plan"]:
            super().handle(*args, **options)
            return
        try:
            with _alone(connections[options["database"]], self.stdout.write):
                super().handle(*args, **options)
        except OperationalError as problem:
            if getattr(problem.__cause__, "sqlstate", "") == "55P03":
                raise CommandError(_IN_USE.format(problem=str(problem).strip())) from problem
            raise


@contextmanager
def _alone(connection: Any, said: Callable[[str], object]) -> Iterator[None]:
    """Let one process at a time migrate, with the time that it takes."""
    with connection.cursor() as cursor:
        before = {name: _setting(cursor, name) for name in _SETTINGS}
        for name, value in _SETTINGS.items():
            _set(cursor, name, value)
        _await_turn(cursor, said)
    try:
        yield
    finally:
        with suppress(DatabaseError), connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_unlock(%s)", [_OURS])
            for name, value in before.items():
                _set(cursor, name, value)


def _setting(cursor: Any, name: str) -> str:
    cursor.execute("SELECT current_setting(%s)", [name])
    return str(cursor.fetchone()[0])


def _set(cursor: Any, name: str, value: str) -> None:
    with suppress(DatabaseError):  # a server's system may not be able to look for a lost client
        cursor.execute("SELECT set_config(%s, %s, false)", [name, value])


def _await_turn(cursor: Any, said: Callable[[str], object]) -> None:
    until, told = time.monotonic() + _LONGEST, False
    while True:
        cursor.execute("SELECT pg_try_advisory_lock(%s)", [_OURS])
        if cursor.fetchone()[0]:
            return
        if time.monotonic() > until:
            raise CommandError(
                "Another migrate has been running for an hour. End it, then start again."
            )
        if not told:
            said("Another migrate is running; waiting for its end.")
            told = True
        time.sleep(0.5)
