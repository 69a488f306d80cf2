"""A walk along the chain, link by link: what fits, and what is to be known to go on later from where it stopped."""

import json
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import Max

from studylab.audit.chain import CHAIN_START, CHAINED, row_digest, settled_below
from studylab.audit.models import Event, Link

CHUNK = 2000


class Linked(NamedTuple):
    """One link of the chain: its number, its event's, its hash, and below which transaction all had settled."""

    id: int
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


@dataclass(slots=True)
class Walk:
    """State of a walk: the last link taken in and its hash, and the transaction below which nothing may follow."""

    after: int = 0
    previous: str = CHAIN_START
    links: int = 0
    batch: int | None = None
    floor: int | None = None

    def problem_of(self, link: Linked, event: tuple[Any, ...] | None) -> str:
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
        self.after, self.previous = link.id, link.hash
        self.links += 1
        return ""

    def step(self, limit: int = CHUNK) -> tuple[bool, int | None, str]:
        """Take in up to `limit` further links; return whether there may be more, and the first event that does not fit."""
        rows = links_from(self.after, limit)
        for link, event in rows:
            if problem := self.problem_of(link, event):
                return False, link.event_id, problem
        return len(rows) == limit, None, ""


def links_from(after: int, limit: int) -> list[tuple[Linked, tuple[Any, ...] | None]]:
    """Return links in order, each with its event's transaction and chained values, or None when it is gone.

    Plain tuples, some at a time: a model for each row would take longer than the hashing.
    """
    names = ", ".join(_AS_TEXT.get(name, f"e.{name}") for name in CHAINED)
    statement = (
        "SELECT l.id, l.event_id, l.hash, l.settled_below, e.transaction_id, "  # noqa: S608 - our own names
        f"{names} FROM (SELECT * FROM audit_link WHERE id > %s ORDER BY id LIMIT %s) l "
        "LEFT JOIN audit_event e ON e.id = l.event_id ORDER BY l.id"
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, [after, limit])
        return [
            (Linked(*row[:_OWN]), None if row[_OWN + 1] is None else _event(row[_OWN:]))
            for row in cursor.fetchall()
        ]


def _event(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return the row with the data as an object; the database hands it over as text."""
    data = row[_DATA]
    return (*row[:_DATA], {} if data == "{}" else json.loads(data), *row[_DATA + 1 :])


def passed_without_link() -> int | None:
    """Return the first event that the chain has passed without a link, None when there is none."""
    bound = Link.objects.aggregate(bound=Max("settled_below"))["bound"]
    if bound is None or settled_below() < bound:
        return None  # nothing sealed yet, or loaded into another server since
    return (
        Event.objects.filter(link=None, transaction_id__lt=bound)
        .order_by("id")
        .values_list("id", flat=True)
        .first()
    )
