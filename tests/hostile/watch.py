"""What is watched while a conversation goes on: the tables behind it, and what breaks."""

import logging
import traceback
from typing import Any

from django.core.signals import got_request_exception
from django.db import connection

from studylab.audit.models import Event


class Ledger:
    """What stands in the tables, as far as a conversation has changed it."""

    def __init__(self) -> None:
        with connection.cursor() as cursor:
            cursor.execute("SELECT relname FROM pg_stat_user_tables WHERE schemaname = 'public'")
            self.baseline = {name: self._print(name) for (name,) in cursor.fetchall()}
        self.begin()

    def begin(self) -> None:
        """Begin a conversation."""
        self.now: dict[str, Any] = {}
        self.counts = self._counts()
        self.event = self._last_event()

    @staticmethod
    def _counts() -> dict[str, tuple[int, ...]]:
        """How often rows of each table were touched in this transaction, attempts that were undone included."""
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT relname, n_tup_ins, n_tup_upd, n_tup_del FROM pg_stat_xact_user_tables"
                " WHERE n_tup_ins + n_tup_upd + n_tup_del > 0"
            )
            return {name: tuple(counts) for name, *counts in cursor.fetchall()}

    @staticmethod
    def _print(table: str) -> tuple[Any, ...]:
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT count(*), sum(hashtextextended(t::text, 0)) FROM "{table}" t')
            return tuple(cursor.fetchone())

    @staticmethod
    def _last_event() -> int:
        with connection.cursor() as cursor:
            cursor.execute("SELECT last_value FROM audit_event_id_seq")
            return int(cursor.fetchone()[0])

    def changed(self) -> set[str]:
        """Tables whose content the last request changed."""
        counts = self._counts()
        touched = {name for name, now in counts.items() if self.counts.get(name) != now}
        self.counts = counts
        found = set()
        for name in touched:
            now = self._print(name)
            if now != self.now.get(name, self.baseline.get(name)):
                found.add(name)
            self.now[name] = now
        return found

    @staticmethod
    def longest() -> int:
        """How long the longest of the newest rows and acts is, in characters."""
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT greatest((SELECT max(length(new::text)) FROM (SELECT new FROM audit_rowchange ORDER BY id DESC LIMIT 20) c),"
                " (SELECT max(length(e::text)) FROM (SELECT * FROM audit_event ORDER BY id DESC LIMIT 5) e))"
            )
            return int(cursor.fetchone()[0] or 0)

    def events(self) -> list[Event]:
        """The acts that the last request put on the trail."""
        found = list(Event.objects.filter(pk__gt=self.event).order_by("pk"))
        self.event = self._last_event()
        return found


class Ears(logging.Handler):
    """Hears what breaks: exceptions that no view caught, and errors in the log of requests."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.heard: list[str] = []
        self.where = ""

    def __enter__(self) -> "Ears":
        got_request_exception.connect(self._broke)
        logging.getLogger("django.request").addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        got_request_exception.disconnect(self._broke)
        logging.getLogger("django.request").removeHandler(self)

    def _broke(self, **_: Any) -> None:
        lines = traceback.format_exc().splitlines()
        ours = [
            one.strip()
            for one in lines
            if "File" in one and "site-packages" not in one and "/lib/python" not in one
        ]
        self.where = (ours[-1] if ours else "") + " | " + lines[-1].partition(":")[0]
        self.heard.append("\n".join(lines[-30:]))

    def emit(self, record: logging.LogRecord) -> None:
        """Take an error of the log."""
        self.heard.append(record.getMessage()[:300])

    def take(self) -> tuple[str, str]:
        """What was heard since the last time, and where it broke."""
        found, where = "\n".join(self.heard), self.where
        self.heard, self.where = [], ""
        return found, where
