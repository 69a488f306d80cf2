"""What the dose gate says about medicines that the dose has to wait for."""

from collections.abc import Iterator
from datetime import datetime

from screening.rules.gate_facts import GateRules
from screening.rules.gate_reasons import GateReason, known, shut, unknown
from screening.rules.medicines import Washout, minute
from screening.rules.notes import OpenNote


def washout_reasons(
    washouts: tuple[Washout, ...] | None, rules: GateRules, at: datetime
) -> Iterator[GateReason]:
    """Yield a reason for each medicine whose time is not over at `at`; None means that nobody was asked."""
    if washouts is None:
        yield unknown("washout", "Which medicines were taken")
    for washout in washouts or ():
        earliest = known(washout.earliest)
        if earliest is None:
            yield unknown("washout", f"How long the dose has to wait for {washout.why}")
        elif at < earliest:
            local = earliest.astimezone(rules.zone)
            yield shut(
                "washout", f"No dose before {minute(local)} {local.tzname()}: {washout.why}."
            )


def note_reasons(notes: tuple[OpenNote, ...] | None, rules: GateRules) -> Iterator[GateReason]:
    """Yield a reason for each note that names a medicine of which no list given since knows; None: nobody looked."""
    if notes is None:
        yield unknown("note_unanswered", "What was noted about this person")
    for one in notes or ():
        words = ", ".join(f"“{word}”" for word in one.words)
        local = one.note.at.astimezone(rules.zone)
        yield shut(
            "note_unanswered",
            f"The {one.note.where} of {minute(local)} names {words}; no list of medicines given since does.",
        )
