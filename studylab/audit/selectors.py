"""Reading and verifying the trail."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

from django.db import connection
from django.db.models import Max, QuerySet

from studylab.audit.actions import REFUSALS, Action
from studylab.audit.chain import CHAIN_START, CHAINED, row_digest, settled_below
from studylab.audit.models import Event, Link

_CHUNK = 2000
CHECKED_WITHIN = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Verification:
    """Outcome of a walk along the chain.

    `links` fit, one after the other from the first; `unsealed` events wait for their link. `broken_at` is
    the number of the first event whose link does not fit, is too late or is missing, and `problem` says so
    in a sentence.
    """

    links: int
    unsealed: int
    broken_at: int | None
    problem: str = ""

    @property
    def intact(self) -> bool:
        """Whether every link fits."""
        return self.broken_at is None


class _Linked(NamedTuple):
    """One link of the chain."""

    event_id: int
    hash: str
    settled_below: int | None


# Times as Python's isoformat writes them: no fraction when there is none.
_AS_TEXT = {
    "at": """replace(to_char(e.at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '.000000', '') || '+00:00'""",
    "request_id": "e.request_id::text",
}
_OWN = 4  # columns of a link before those of its event
_DATA = 1 + CHAINED.index("data")  # after the transaction


class _Walk:
    """State of a walk: the hash so far, and the transaction below which nothing may follow."""

    def __init__(self) -> None:
        self.previous = CHAIN_START
        self.links = 0
        self.batch: int | None = None
        self.floor: int | None = None

    def problem_of(self, link: _Linked, event: tuple[Any, ...] | None) -> str:
        """Return why the link does not fit, or "" and take it in."""
        if event is None:
            return f"Event {link.event_id} is gone; its link remains."
        transaction_id, *values = event
        if row_digest(self.previous, values) != link.hash:
            return f"Event {link.event_id} or the link before it does not match its seal."
        if link.settled_below != self.batch:
            # Numbers start low again when a backup is loaded into another server: no floor across that.
            risen = self.batch is not None and (link.settled_below or 0) >= self.batch
            self.floor, self.batch = (self.batch if risen else None), link.settled_below
        if self.floor is not None and transaction_id < self.floor:
            return f"Event {link.event_id} was sealed after the chain had passed it: its own link was removed."
        self.previous = link.hash
        self.links += 1
        return ""


def _links_with_events() -> Iterator[tuple[_Linked, tuple[Any, ...] | None]]:
    """Yield links in order, each with its event's transaction and chained values, or None when it is gone.

    Plain tuples, some at a time: a model for each row would take longer than the hashing.
    """
    names = ", ".join(_AS_TEXT.get(name, f"e.{name}") for name in CHAINED)
    statement = (
        "SELECT l.id, l.event_id, l.hash, l.settled_below, e.transaction_id, "  # noqa: S608 - our own names
        f"{names} FROM (SELECT * FROM audit_link WHERE id > %s ORDER BY id LIMIT %s) l "
        "LEFT JOIN audit_event e ON e.id = l.event_id ORDER BY l.id"
    )
    after = 0
    with connection.cursor() as cursor:
        while True:
            cursor.execute(statement, [after, _CHUNK])
            rows = cursor.fetchall()
            for row in rows:
                link = _Linked(*row[1:_OWN])
                yield link, None if row[_OWN + 1] is None else _event(row[_OWN:])
            if len(rows) < _CHUNK:
                return
            after = rows[-1][0]


def _event(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return the row with the data as an object; the database hands it over as text."""
    data = row[_DATA]
    return (*row[:_DATA], {} if data == "{}" else json.loads(data), *row[_DATA + 1 :])


def verify_chain() -> Verification:
    """Recompute every link in order, and look for events that the chain has passed without a link."""
    walk = _Walk()
    unsealed = Event.objects.filter(link=None)
    for link, event in _links_with_events():
        if problem := walk.problem_of(link, event):
            return Verification(walk.links, unsealed.count(), link.event_id, problem)
    passed = _passed_without_link(unsealed)
    if passed is not None:
        text = f"Event {passed} has no link although later events have theirs."
        return Verification(walk.links, unsealed.count(), passed, text)
    return Verification(walk.links, unsealed.count(), None)


@dataclass(frozen=True, slots=True)
class LastCheck:
    """When the whole chain was last checked, and whether every link fitted."""

    at: datetime
    intact: bool


def last_check() -> LastCheck | None:
    """Return the newest check of the whole chain that is on record, None before the first."""
    found = (
        Event.objects.filter(study_id=None, action=Action.RECORD_VERIFIED)
        .order_by("-at", "-id")
        .first()
    )
    return LastCheck(found.at, bool(found.data["intact"])) if found else None


def check_is_due(at: datetime) -> bool:
    """Whether the last check is a day old, or there was none."""
    last = last_check()
    return last is None or at - last.at >= CHECKED_WITHIN


def _passed_without_link(unsealed: QuerySet[Event]) -> int | None:
    bound = Link.objects.aggregate(bound=Max("settled_below"))["bound"]
    if bound is None or settled_below() < bound:
        return None  # nothing sealed yet, or loaded into another server since
    return (
        unsealed.filter(transaction_id__lt=bound)
        .order_by("id")
        .values_list("id", flat=True)
        .first()
    )


def events_of_study(study_id: int) -> QuerySet[Event]:
    """Events of one study, newest first."""
    return Event.objects.filter(study_id=study_id).order_by("-at", "-id")


def events_of_participant(study_id: int, code: str) -> QuerySet[Event]:
    """Events about one volunteer, oldest first."""
    return Event.objects.filter(study_id=study_id, participant_code=code).order_by("id")


def request_recorded(request_id: UUID) -> bool:
    """Whether a request has written anything but the note of a refusal."""
    return Event.objects.filter(request_id=request_id).exclude(action__in=REFUSALS).exists()
