"""What the safety of others says about this dose: pauses, people in care, unread symptoms, news to be told."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from screening.rules.gate_reasons import GateReason, known, shut, unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class CareFact:
    """Somebody who was taken to care after a dose; `counts_until` is how long the newest news counts.

    None: there is no news, or it says "not known" or "worse", which never opens. `overridden`: the supervising
    physician and the lead have both signed.
    """

    who: str
    counts_until: datetime | None
    ended: bool | None
    overridden: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewsFact:
    """Something new that people with a dose to come are told: is the text approved, and what did this person choose?"""

    what: str
    approved: bool | None
    choice: str | None  # "continue", "stop", or None before they chose


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyFact:
    """How safety stands in the whole study. None always means "not known"."""

    pauses: tuple[str, ...] | None  # open pauses by a stopping rule, in words
    care: tuple[CareFact, ...] | None
    unread: tuple[str, ...] | None  # symptoms after a dose that no clinician has opened for a day
    unexpected: tuple[str, ...] | None  # unexpected ones of the first people, not looked at yet
    news: tuple[NewsFact, ...] | None


def safety_reasons(fact: SafetyFact | None, at: datetime) -> Iterator[GateReason]:
    """Yield every reason that the safety of the study gives against dosing at `at`."""
    if fact is None:
        yield unknown("safety_unknown", "How safety stands in the study")
        return
    yield from _each(fact.pauses, "stopping_rule", "Whether a stopping rule pauses dosing")
    yield from _care(fact.care, at)
    yield from _each(fact.unread, "symptoms_unread", "Whether every symptom was read")
    yield from _each(
        fact.unexpected, "symptom_unexpected", "Whether unexpected symptoms were looked at"
    )
    yield from _news(fact.news)


def _each(facts: tuple[str, ...] | None, code: str, subject: str) -> Iterator[GateReason]:
    if facts is None:
        yield unknown(code, subject)
    for what in facts or ():
        yield shut(code, what)


def _care(facts: tuple[CareFact, ...] | None, at: datetime) -> Iterator[GateReason]:
    if facts is None:
        yield unknown("care_unknown", "Whether somebody is in care after a dose")
    for one in facts or ():
        if one.ended is True or one.overridden is True:
            continue
        until = known(one.counts_until)
        if until is None or at >= until:
            yield shut(
                "care_unknown",
                f"{one.who} was taken to care after a dose, and how they are is not known now.",
            )


def _news(facts: tuple[NewsFact, ...] | None) -> Iterator[GateReason]:
    if facts is None:
        yield unknown("news_unapproved", "Whether there is something new to tell")
    for one in facts or ():
        if one.approved is not True:
            yield shut("news_unapproved", f"{one.what}: no text for volunteers is approved yet.")
        elif one.choice == "stop":
            yield shut("news_stop", f"{one.what}: told, this person chose to stop.")
        elif one.choice != "continue":
            yield shut("news_untold", f"{one.what}: this person has not been told and asked yet.")
