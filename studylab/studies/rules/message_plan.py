"""When messages are due: the section `messages` of a study document."""

from dataclasses import dataclass
from datetime import time

from studylab.studies.rules.reader import Table, shown

LONGEST_HOURS = 14 * 24


@dataclass(frozen=True, slots=True)
class MessagePlan:
    """What is told when. Nothing is sent where the document has no such section.

    `before_visit_hours` are hours before a visit's start, longest first; `before_contact_hours` hours before the time
    for the contact after the dose begins. Staff hear `sign_off_days` before a sign-off lapses, `kit_days` before kits
    expire, and when `list_left` numbers are left; None where nobody is told. No volunteer gets a message from `quiet_from`
    until `quiet_until` by the clock where they live; None: at any hour.
    """

    before_visit_hours: tuple[int, ...] = ()
    before_contact_hours: int | None = None
    sign_off_days: int | None = None
    kit_days: int | None = None
    list_left: int | None = None
    quiet_from: time | None = None
    quiet_until: time | None = None


def read_messages(document: Table) -> MessagePlan:
    """Return the section `messages`, which may be missing."""
    if not document.has("messages"):
        return MessagePlan()
    table = document.table("messages")
    found = MessagePlan(
        before_visit_hours=_hours(table),
        before_contact_hours=_whole(table, "before_contact_hours", 1, 48),
        sign_off_days=_whole(table, "sign_off_days", 1, 90),
        kit_days=_whole(table, "kit_days", 1, 365),
        list_left=_whole(table, "list_left", 1, 1000),
        quiet_from=_quarter(table, "quiet_from"),
        quiet_until=_quarter(table, "quiet_until"),
    )
    table.close()
    for name, other in (("quiet_from", "quiet_until"), ("quiet_until", "quiet_from")):
        if table.has(name) and not table.has(other):
            table.wrong(name, f"There is no {other}.", f"Add {other}, or leave both out.")
    return found


def _hours(table: Table) -> tuple[int, ...]:
    if not table.has("before_visit_hours"):
        return ()
    hours = table.wholes("before_visit_hours", at_least=1, low=1, high=LONGEST_HOURS)
    twice = next((one for place, one in enumerate(hours) if one in hours[:place]), None)
    if twice is not None:
        table.wrong(
            "before_visit_hours", f"{shown(twice)} hours stand there twice.", "Name each time once."
        )
    return tuple(sorted(set(hours), reverse=True))


def _quarter(table: Table, name: str) -> time | None:
    """Return a clock time, a whole quarter of an hour."""
    if not table.has(name):
        return None
    text = table.text(
        name, pattern=r"([01]\d|2[0-3]):(00|15|30|45)", rule='Write a whole quarter of an hour such as "21:00".'
    )  # fmt: skip
    return time.fromisoformat(text) if text else None


def _whole(table: Table, name: str, low: int, high: int) -> int | None:
    return table.whole(name, low=low, high=high) if table.has(name) else None
