"""What is due by when to whom, counted from awareness.

Hours run exactly. Days end with the calendar day D+n in the authority's zone: the day of awareness is day 0 (ICH
E2A, from memory), which is the same as counting the day after it as day 1 (UK SI 2004/1031 reg. 34).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from studylab.participants.rules.events import GRAVE
from studylab.studies.rules.safety import ReportRule

Part = Literal["first", "follow_up"]
DueState = Literal["open", "overdue", "sent", "received"]


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What was known from `aware_at` on. `suspected` is the present view, whenever it was formed."""

    aware_at: datetime
    criteria: frozenset[str]
    expected: bool
    after_dose: bool
    always: bool = False
    serious_breach: bool = False


@dataclass(frozen=True, slots=True)
class Sent:
    """A report on record: `receipt` is "" until somebody confirmed that it arrived."""

    rule: str
    part: Part
    sent_at: datetime
    receipt: str


@dataclass(frozen=True, slots=True)
class Due:
    """One report that is owed. `last_day` is None where hours count; `late` says sent after `due_by`."""

    rule: str
    part: Part
    to: str
    covers: str
    aware_at: datetime
    due_by: datetime
    last_day: date | None
    state: DueState
    sent_at: datetime | None = None
    receipt: str = ""
    late: bool = False

    @property
    def owed(self) -> bool:
        """Whether it is still to be sent, or its receipt to be entered."""
        return self.state != "received"


def reports_due(
    rules: Iterable[ReportRule],
    known: Sequence[Knowledge],
    *,
    suspected: bool,
    sent: Sequence[Sent],
    zone: ZoneInfo,
    at: datetime,
) -> list[Due]:
    """Return every report owed or made for one event or deviation, the earliest deadline first.

    `known` holds the entries in the order they were written. A clock runs from the earliest awareness of what makes a
    rule apply, and only while the newest entry still makes it apply; a report once sent stays listed.
    """
    found = []
    for rule in rules:
        start = _start(rule, known, suspected)
        made = [one for one in sent if one.rule == rule.key]
        if start is None and made:
            start = min(k.aware_at for k in known)
        if start is None:
            continue
        found.append(_due(rule, "first", start, rule.days, made, zone, at))
        if rule.follow_up_days and rule.days:
            days = rule.days + rule.follow_up_days
            found.append(_due(rule, "follow_up", start, days, made, zone, at))
    return sorted(found, key=lambda due: (due.due_by, due.rule))


def _start(rule: ReportRule, known: Sequence[Knowledge], suspected: bool) -> datetime | None:
    """Return the awareness from which a rule's clock runs; None while nothing is due by it."""
    if not known or not _applies(rule, known[-1]):
        return None
    if rule.covers.startswith("suspected") and not suspected:
        return None
    return min(k.aware_at for k in known if _applies(rule, k))


def _applies(rule: ReportRule, known: Knowledge) -> bool:
    if rule.covers == "serious_breach":
        return known.serious_breach
    if rule.covers == "always":
        return known.always
    if not known.criteria or not (known.after_dose or rule.before_dose):
        return False
    if rule.covers == "serious":
        return True
    grave = bool(known.criteria & GRAVE)
    return not known.expected and grave == (rule.covers == "suspected_fatal")


def _due(
    rule: ReportRule,
    part: Part,
    start: datetime,
    days: int | None,
    made: list[Sent],
    zone: ZoneInfo,
    at: datetime,
) -> Due:
    due_by, last_day = deadline(start, hours=rule.hours, days=days, zone=zone)
    one = next((s for s in made if s.part == part), None)
    state: DueState = "overdue" if at > due_by else "open"
    if one is not None:
        state = "received" if one.receipt else "sent"
    return Due(
        rule=rule.key, part=part, to=rule.to, covers=rule.covers, aware_at=start, due_by=due_by,
        last_day=last_day, state=state, sent_at=one.sent_at if one else None,
        receipt=one.receipt if one else "", late=(one.sent_at if one else at) > due_by,
    )  # fmt: skip


def deadline(
    aware_at: datetime, *, hours: int | None, days: int | None, zone: ZoneInfo
) -> tuple[datetime, date | None]:
    """Return by when, and the last day where days count: the deadline is the end of that day."""
    if hours is not None:
        return aware_at + timedelta(hours=hours), None
    assert days is not None, "a rule has hours or days"
    last = aware_at.astimezone(zone).date() + timedelta(days=days)
    end = datetime.combine(last + timedelta(days=1), time(0), tzinfo=zone)
    return end.astimezone(aware_at.tzinfo), last
