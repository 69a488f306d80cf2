"""What is wrong about an answer, and whether what was written may have been."""

import logging
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from django.core.signals import got_request_exception
from django.db import DatabaseError, connection, transaction
from django.http import HttpResponse

from studylab.audit.models import Event
from tests.access.world import Page
from tests.hostile.asks import Ask
from tests.hostile.scene import Visitor

SLOW = 5.0  # seconds of one request
# Written by the running of the site: of no study, and no act of a person.
HOUSEKEEPING = {
    "people_signin", "django_session", "audit_submission", "studylab_cache", "people_user", "participants_knock", "notices_seen",
}  # fmt: skip
# What is put on the trail of somebody who is then refused: a wrong password, values seen, readings kept while typing.
THOUGH_REFUSED = {"values.seen", "vitals.draft_begun", "self_report.begun"}
# Rows that say themselves who wrote them, when and what, and are never changed; or when something was last fetched.
# A draft of a study document is kept while it is typed; what is made of it is an act.
OWN_TRAIL = {"screening_selfreportentry", "scheduling_calendarfeed", "studies_protocoldraft"}
ARMS = ("Propranolol 40 mg", "Placebo")


@dataclass(frozen=True)
class Fault:
    """Something that must not be."""

    what: str
    where: str
    visitor: str
    ask: Ask
    more: str = ""


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


@dataclass
class Judged:
    """An answer as it was judged."""

    status: int
    faults: list[Fault] = field(default_factory=list)
    wrote: bool = False


def judge(
    visitor: Visitor,
    page: Page | None,
    ask: Ask,
    answer: HttpResponse,
    ledger: Ledger,
    ears: Ears,
    seconds: float,
) -> Judged:
    """Look at an answer and at the tables behind it."""
    heard, where = ears.take()
    judged = Judged(answer.status_code)
    name = page.name if page else "no page"

    def fault(what: str, more: str = "", at: str = "") -> None:
        judged.faults.append(Fault(what, at or str(name), visitor.name, ask, more))

    if answer.status_code >= 500 or heard:
        fault("broken", heard, where)
    if seconds > SLOW:
        fault("slow", f"{seconds:.1f} s")
    for what, more in _said(visitor, ask, answer):
        fault(what, more)
    changed = ledger.changed()
    events = ledger.events() if "audit_event" in changed else []
    judged.wrote = bool(changed - HOUSEKEEPING)
    for what, more in _written(visitor, page, ask, answer, changed, events):
        fault(what, more)
    if judged.wrote and (broken := _left_open()):
        fault("would not be committed", broken)
    return judged


def _said(visitor: Visitor, ask: Ask, answer: HttpResponse) -> Iterator[tuple[str, str]]:
    content = b"" if answer.streaming else answer.content
    if b"Traceback (most recent call last)" in content or b"django.db.utils" in content:
        yield "tells how it broke", content[:500].decode(errors="replace")
    to = urlsplit(answer.headers.get("Location") or answer.headers.get("HX-Redirect") or "")
    if to.netloc not in ("", "testserver"):
        yield "leads elsewhere", to.geturl()[:300]
    if visitor.blinded and answer.status_code != 200:
        named = [arm for arm in ARMS if arm.encode() in content and arm.encode() not in ask.body]
        if len(named) == 1:
            yield "names one arm", named[0]


def _written(
    visitor: Visitor,
    page: Page | None,
    ask: Ask,
    answer: HttpResponse,
    changed: set[str],
    events: list[Event],
) -> Iterator[tuple[str, str]]:
    acts = sorted({event.action for event in events})
    wrote = changed - HOUSEKEEPING - ({"audit_rowchange"} if not events else set())
    if wrote and (page is None or not visitor.may(page)):
        yield "wrote what it may not", f"{sorted(wrote)} {acts}"
    if wrote - OWN_TRAIL and not events:
        yield "wrote without an event", str(sorted(wrote))
    if ask.verb in ("HEAD", "OPTIONS", "TRACE") and wrote:
        yield "wrote by asking", f"{sorted(wrote)} {acts}"
    if (
        answer.status_code >= 400
        and wrote - {"audit_event"} - OWN_TRAIL
        and not set(acts) <= THOUGH_REFUSED
    ):
        yield "wrote though refused", f"{answer.status_code} {sorted(wrote)} {acts}"
    for event in events:
        if event.study_id not in (None, visitor.study_id) and visitor.study_id is not None:
            yield "wrote in another study", event.action
        if visitor.user_id is not None and event.actor_id not in (None, visitor.user_id):
            yield "wrote in another's name", event.action


def _left_open() -> str:
    """What the database would say at the end of the transaction."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    except DatabaseError as problem:
        return str(problem)[:300]
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    return ""
