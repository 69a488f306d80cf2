"""What a study document says about adverse events: terms, who must hear of what by when, and when dosing stops.

Where the numbers come from: ICH E2A (seriousness, expectedness, 7 and 15 days) and EU 536/2014 Art. 41(2) (24 hours).
"""

from dataclasses import dataclass
from typing import Literal, get_args

# serious: every serious event. suspected_fatal, suspected_other: serious, unexpected and not ruled out as caused by
# the drug, fatal or life-threatening, or not. always: terms that are reported whatever came of them.
Covers = Literal["serious", "suspected_fatal", "suspected_other", "always", "serious_breach"]
COVERS: tuple[Covers, ...] = get_args(Covers)
HOLD_KINDS = ("vitals", "answers", "symptom", "other")
BreachFrom = Literal["first_aware", "judged"]


@dataclass(frozen=True, slots=True)
class EventTerm:
    """One plain term. `expected`: it stands in the reference safety information."""

    term: str
    system: str
    expected: bool
    always_report: bool = False


@dataclass(frozen=True, slots=True)
class ReportRule:
    """Who must hear of what: within `hours` of awareness, or by the end of day `days` after it.

    `follow_up_days` more days are given for the follow-up report. Before a dose nothing is due unless
    `before_dose` says so.
    """

    key: str
    to: str
    covers: Covers
    hours: int | None
    days: int | None
    follow_up_days: int | None = None
    before_dose: bool = False


@dataclass(frozen=True, slots=True)
class StoppingRule:
    """Dosing pauses when `people` people of any `of_last` dosed one after the other are affected.

    Somebody is affected by an event after the dose that has one of `terms`, is at least of grade `grade_from`, or is
    serious where `serious` says so, or by a hold of one of the kinds `holds` opened after the dose.
    """

    key: str
    text: str
    people: int
    of_last: int
    terms: tuple[str, ...] = ()
    holds: tuple[str, ...] = ()
    grade_from: int | None = None
    serious: bool = False


@dataclass(frozen=True, slots=True)
class SafetyPlan:
    """The safety part of a study document; `zone` tells where the authority's day ends.

    `status_hours` is how long news of somebody in care counts; an unexpected symptom in one of the `first_people`
    people dosed is looked at before the next dose.
    """

    zone: str
    status_hours: int
    first_people: int
    breach_from: BreachFrom
    terms: tuple[EventTerm, ...]
    reports: tuple[ReportRule, ...]
    stopping: tuple[StoppingRule, ...]

    def term(self, name: str) -> EventTerm | None:
        """Return the term called `name`, whatever its capitals; None when the list has none."""
        wanted = name.strip().casefold()
        return next((one for one in self.terms if one.term.casefold() == wanted), None)
