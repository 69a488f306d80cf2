"""Adverse events in words, and what must fit together in one entry about an event.

Seriousness: ICH E2A. Grades: the general scale of NCI CTCAE v5.0 (2017) in own words. Serious is not the same as
severe: both are asked, neither is worked out from the other.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

GRADES = {
    1: "mild, or seen only on a test; nothing was needed",
    2: "moderate; a small local help, or limits shopping, phone or money matters",
    3: "severe or medically significant, no immediate threat to life; limits self-care",
    4: "threat to life; urgent action",
    5: "death",
}
CRITERIA = {
    "death": "death",
    "life": "life-threatening at the time",
    "hospital": "hospital stay, or a longer one",
    "disability": "lasting or major disability",
    "birth": "birth defect",
    "important": "another medically important event, by judgement",
}
GRAVE = frozenset({"death", "life"})
OUTCOMES = {
    "recovered": "recovered",
    "recovering": "recovering",
    "not_recovered": "not recovered yet",
    "lasting": "recovered with something lasting",
    "fatal": "fatal",
    "unknown": "not known",
}
OVER = frozenset({"recovered", "lasting", "fatal"})
RELATIONS = {
    "related": "related",
    "possibly": "possibly related",
    "unlikely": "unlikely related",
    "not_related": "not related",
}
SUSPECTED = frozenset({"related", "possibly"})
Known = Literal["minute", "day", "unknown", "ongoing"]


@dataclass(frozen=True, slots=True)
class Told:
    """What an entry says, for the checks below."""

    grade: int
    criteria: Collection[str]
    outcome: str
    started_at: datetime | None
    started_known: str
    ended_at: datetime | None
    ended_known: str
    aware_at: datetime


def misfits(told: Told, now: datetime) -> Iterator[tuple[str, str]]:
    """Yield (field, sentence) for everything in an entry that does not fit together."""
    if told.grade >= 4 and not told.criteria:
        yield "criteria", "Grade 4 or 5 is always serious. Say by which criterion."
    fatal = {told.grade == 5, told.outcome == "fatal", "death" in told.criteria}
    if len(fatal) > 1:
        yield "outcome", "Grade 5, the outcome “fatal” and the criterion “death” go together."
    if told.aware_at > now:
        yield "aware_at", "This is later than now. Check date and time."
    yield from _moment("started_at", told.started_at, told.started_known)
    yield from _moment("ended_at", told.ended_at, told.ended_known)
    if told.started_at and told.started_at > told.aware_at and told.started_known == "minute":
        yield "started_at", "It cannot begin after somebody heard of it. Check both times."
    if told.ended_at and told.ended_at > now:
        yield "ended_at", "This is later than now. Check date and time."
    if told.started_at and told.ended_at and told.ended_at < told.started_at:
        yield "ended_at", "It cannot end before it began. Check both times."
    if told.ended_known == "ongoing" and told.outcome in OVER:
        yield "ended_known", "It is over by its outcome, so it has an end, known or not."


def _moment(field: str, at: datetime | None, known: str) -> Iterator[tuple[str, str]]:
    if known in ("minute", "day") and at is None:
        yield field, "Give the time, or say that it is not known."
    if known in ("unknown", "ongoing") and at is not None:
        yield field, "Leave the time empty, or say how well it is known."


def after_dose(
    started_at: datetime | None, known: str, dosed_at: datetime | None, zone: ZoneInfo
) -> bool:
    """Whether an event counts as after the dose; of an unknown start, or of that day, it does."""
    if dosed_at is None:
        return False
    if started_at is None:
        return True
    if known == "day":
        return started_at.astimezone(zone).date() >= dosed_at.astimezone(zone).date()
    return started_at >= dosed_at


def is_suspected(relation: str, sponsor_relation: str) -> bool:
    """Whether the drug is not ruled out as a cause: by either view, or while no clinician has judged."""
    return not relation or relation in SUSPECTED or sponsor_relation in SUSPECTED
