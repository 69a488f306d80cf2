"""The part of the dose gate that looks at today's readings and the checks beside them."""

from collections.abc import Iterator
from datetime import datetime, timedelta

from screening.rules.checks import NAMES
from screening.rules.gate_facts import CheckFact, GateRules, PreDoseFact, ValueOutcome
from screening.rules.gate_reasons import GateReason, known, shut, unknown
from screening.rules.vitals import Undecided

MEASURES = ("systolic", "diastolic", "pulse")


def pre_dose_reasons(
    fact: PreDoseFact | None, rules: GateRules, at: datetime
) -> Iterator[GateReason]:
    """Give every reason that the readings before the dose, and the checks beside them, hold against it."""
    if fact is None or fact.decision is None:
        yield shut("vitals_missing", "There are no pre-dose readings.")
        return
    yield from _age(fact, rules, at)
    if isinstance(fact.decision, Undecided):
        told = " ".join(problem.message for problem in fact.decision.problems)
        yield shut(
            "vitals_undecided", f"The pre-dose readings cannot be decided on. {told}".strip()
        )
        return
    outcomes = fact.outcomes or ()
    judged = {o.measure for o in outcomes if o.outcome is not None}
    missing = [measure for measure in MEASURES if measure not in judged]
    if missing:
        named = ", ".join(missing)
        yield unknown("vitals_unjudged", f"How the pre-dose values ({named}) meet the limits")
    for outcome in outcomes:
        yield from _value(outcome, fact.released)
    if fact.released is None:
        yield unknown("vitals_unreleased", "Whether a physician has released the readings")


def check_reasons(checks: tuple[CheckFact, ...] | None) -> Iterator[GateReason]:
    """Give a reason for each check besides the readings that does not pass."""
    if checks is None:
        yield unknown("check_missing", "Which checks were done before the dose")
    for check in checks or ():
        name = NAMES[check.kind]
        if check.outcome is None:
            yield shut("check_missing", f"{name}: not done at this visit.")
        elif check.outcome == "undecided":
            yield shut("check_missing", f"{name}: {check.text}".strip())
        elif check.outcome != "pass":
            yield shut("check_failed", f"{name}: {check.text}".strip())


def _value(value: ValueOutcome, released: bool | None) -> Iterator[GateReason]:
    """A value in the physician's band needs a release; one outside cannot be released."""
    if value.outcome in {"pass", None}:
        return  # None is named as not judged
    if value.outcome == "review":
        if released is False:
            what = value.text or f"{value.measure.capitalize()} needs a physician's decision."
            yield shut("vitals_unreleased", what)
        return
    yield shut(
        "vitals_outside", value.text or f"{value.measure.capitalize()} is outside its limits."
    )


def _age(fact: PreDoseFact, rules: GateRules, at: datetime) -> Iterator[GateReason]:
    taken_at = known(fact.taken_at)
    if taken_at is None:
        yield unknown("vitals_old", "When the pre-dose readings were taken")
    elif taken_at > at:
        yield shut("vitals_old", "The pre-dose readings are dated in the future.")
    elif at - taken_at > timedelta(minutes=rules.pre_dose_valid_minutes):
        minutes = int((at - taken_at).total_seconds() // 60)
        yield shut(
            "vitals_old",
            f"The pre-dose readings are {minutes} minutes old; "
            f"at most {rules.pre_dose_valid_minutes} are allowed.",
        )
