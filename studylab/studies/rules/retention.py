"""How long records, and with them the key from code to person, are kept: the rules of a study document."""

from dataclasses import dataclass
from datetime import date
from typing import Literal, get_args

from studylab.studies.rules.reader import Table

Trigger = Literal["study_closed", "marketing_decision"]
TRIGGER_WORDS = {
    "study_closed": "the closing of the study",
    "marketing_decision": "a decision on marketing",
}


@dataclass(frozen=True, slots=True)
class RetentionRule:
    """Keep for `years` after `since`. The clock begins with that event and with no other."""

    name: str
    years: int
    since: Trigger


@dataclass(frozen=True, slots=True)
class Keeping:
    """Whether contact details are kept, until which day (None: not known), and why, naming the rule that wins."""

    kept: bool
    until: date | None
    why: str


def read_retention(document: Table) -> tuple[RetentionRule, ...]:
    """Return the rules; a document without any keeps everything."""
    if not document.has("retention"):
        return ()
    rules = []
    for row in document.tables("retention", at_least=1):
        rules.append(
            RetentionRule(
                name=row.text("name"),
                years=row.whole("years", low=1, high=100),
                since=row.one_of("since", get_args(Trigger), default="study_closed"),
            )
        )
        row.close()
    return tuple(rules)


def keeping(
    rules: tuple[RetentionRule, ...], happened: dict[str, date | None], today: date
) -> Keeping:
    """Return what the rules ask for together: the longest wins, and an event without a date means keep.

    `happened` is the day of each trigger, None or absent while it is not known. Without any rule nothing is
    known either (field case F-67; that an unknown event keeps is the house's rule).
    """
    if not rules:
        return Keeping(True, None, "The study document has no rule on how long records are kept.")
    for rule in rules:
        if happened.get(rule.since) is None:
            why = f"{rule.name}: {rule.years} years after {TRIGGER_WORDS[rule.since]}, of which no date is known."
            return Keeping(True, None, why)
    ends = [(_after(happened[rule.since], rule.years), rule) for rule in rules]
    until, longest = max(ends, key=lambda end: end[0])
    why = f"{longest.name}: {longest.years} years after {TRIGGER_WORDS[longest.since]}."
    return Keeping(today <= until, until, why)


def _after(day: date | None, years: int) -> date:
    assert day is not None
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February
        return date(day.year + years, 3, 1)
