"""Spacing between visits, judged by elapsed time with both bounds included.

An anchor names a moment of a visit: "visit1.start", "visit1.end" or "visit2.dose". What is not known yet
is "unknown", never "kept".
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from scheduling.rules.elapsed import add_elapsed, elapsed, hours_words, to_utc
from studylab.studies.rules.protocol import Protocol, Spacing, VisitPlan

Verdict = Literal["kept", "early", "late", "unknown"]
MOMENTS = ("start", "end", "dose")


@dataclass(frozen=True, slots=True)
class SpacingResult:
    """How one rule stands: `elapsed` is None while an anchor is unknown; `message` is a full sentence."""

    rule: Spacing
    elapsed: timedelta | None
    verdict: Verdict
    message: str


@dataclass(frozen=True, slots=True)
class Window:
    """When the later anchor of a rule may fall, in UTC, both bounds included."""

    earliest: datetime
    target: datetime
    latest: datetime

    def contains(self, at: datetime) -> bool:
        """Whether an instant lies inside, bounds included."""
        return self.earliest <= to_utc(at) <= self.latest


def window(rule: Spacing, start: datetime) -> Window:
    """Return the window of `rule` when its first anchor falls on `start`."""
    return Window(
        earliest=add_elapsed(start, rule.earliest),
        target=add_elapsed(start, rule.target),
        latest=add_elapsed(start, rule.latest),
    )


def check_spacing(
    protocol: Protocol, anchors: Mapping[str, datetime | None]
) -> tuple[SpacingResult, ...]:
    """Judge every spacing rule of the protocol against what is known; ValueError for a time without zone."""
    return tuple(judge(rule, anchors) for rule in protocol.spacings)


def judge(rule: Spacing, anchors: Mapping[str, datetime | None]) -> SpacingResult:
    """Judge one rule. Anchors that are missing or None leave it unknown."""
    start, end = anchors.get(rule.start), anchors.get(rule.end)
    missing = [name for name, at in ((rule.start, start), (rule.end, end)) if at is None]
    if start is None or end is None:
        names = " and ".join(say_anchor(name) for name in missing)
        return SpacingResult(rule, None, "unknown", f"Cannot be judged yet: {names} is not known.")
    passed = elapsed(to_utc(start, rule.start), to_utc(end, rule.end))
    verdict: Verdict = "kept"
    if passed < rule.earliest:
        verdict = "early"
    elif passed > rule.latest:
        verdict = "late"
    return SpacingResult(rule, passed, verdict, _sentence(rule, passed, verdict))


def say_anchor(name: str) -> str:
    """Return an anchor in words: "visit2.dose" as "the dose of visit 2"."""
    visit, moment = split_anchor(name)
    number = visit.removeprefix("visit")
    return f"the {moment} of " + (f"visit {number}" if number.isdigit() else visit)


def split_anchor(name: str) -> tuple[str, str]:
    """Return visit key and moment of an anchor; ValueError naming it when it is not one."""
    visit, dot, moment = name.rpartition(".")
    if not dot or moment not in MOMENTS:
        raise ValueError(
            f"{name!r} is not an anchor: write for example visit2.start, .end or .dose."
        )
    return visit, moment


def dose_offset(visit: VisitPlan) -> timedelta:
    """Return the planned time from visit start to the dose; zero for a visit without one."""
    return timedelta(minutes=visit.planned_dose_minutes or 0)


def anchor_offset(visit: VisitPlan, moment: str) -> timedelta:
    """Return the planned time from visit start to one of its moments."""
    offsets = {
        "start": timedelta(0),
        "end": timedelta(minutes=visit.minutes),
        "dose": dose_offset(visit),
    }
    return offsets[moment]


def planned_anchors(protocol: Protocol, starts: Mapping[int, datetime]) -> dict[str, datetime]:
    """Return every planned anchor, in UTC, of the visits (by number) whose start is given."""
    anchors: dict[str, datetime] = {}
    for number, start in starts.items():
        visit = protocol.visit(number)
        for moment in MOMENTS:
            if moment != "dose" or visit.is_dosing:
                anchors[f"{visit.key}.{moment}"] = add_elapsed(start, anchor_offset(visit, moment))
    return anchors


def _sentence(rule: Spacing, passed: timedelta, verdict: Verdict) -> str:
    allowed = f"{hours_words(rule.earliest)} to {hours_words(rule.latest)} is allowed"
    said = f"{hours_words(passed)} from {say_anchor(rule.start)} to {say_anchor(rule.end)}"
    if verdict == "early":
        return f"{said}: {hours_words(rule.earliest - passed)} too early; {allowed}."
    if verdict == "late":
        return f"{said}: {hours_words(passed - rule.latest)} too late; {allowed}."
    return f"{said}; {allowed}."
