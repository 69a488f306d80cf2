"""The dose gate: may this capsule be given to this person at this moment?

One pure function that returns every reason why not. It refuses; it never advises: with no reason left the
people in the room still decide. A fact that is not known closes the gate like a fact that is wrong.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from screening.rules.gate_cover import cover_reasons
from screening.rules.gate_facts import (
    ConsentFact,
    GateFacts,
    GateRules,
    KitFact,
    QuestionsFact,
    SignOffFact,
)
from screening.rules.gate_medicines import note_reasons, washout_reasons
from screening.rules.gate_reasons import GateReason, known, must, shut, unknown
from screening.rules.gate_safety import safety_reasons
from screening.rules.gate_vitals import check_reasons, pre_dose_reasons


@dataclass(frozen=True, slots=True)
class GateResult:
    """`open` is true only with no reason left; `reasons` stand in the order of the visit."""

    open: bool
    reasons: tuple[GateReason, ...]

    @property
    def codes(self) -> frozenset[str]:
        """The codes of all reasons."""
        return frozenset(reason.code for reason in self.reasons)


def dose_gate(facts: GateFacts, *, rules: GateRules, at: datetime) -> GateResult:
    """Return whether the dose may be given at the instant `at`, with every reason why not."""
    if at.utcoffset() is None:
        raise ValueError("The instant of the dose needs a time zone.")
    reasons = (
        *_study_and_person(facts),
        *_consent(facts.consent, at),
        *_sign_off(facts.sign_off, at),
        *_number(facts),
        *_earlier(facts, rules),
        *_questions(facts.questions, rules, at),
        *washout_reasons(facts.washouts, rules, at),
        *note_reasons(facts.notes_open, rules),
        *pre_dose_reasons(facts.pre_dose, rules, at),
        *check_reasons(facts.checks),
        *_kit(facts.kit, facts.allocation_number, at),
        *cover_reasons(facts.cover, rules, at),
        *_around(facts),
        *_holds(facts),
        *safety_reasons(facts.safety, at),
    )
    return GateResult(open=not reasons, reasons=reasons)


def _study_and_person(facts: GateFacts) -> Iterator[GateReason]:
    yield from must(
        facts.limits_confirmed,
        True,
        "limits_unconfirmed",
        "No physician has confirmed the limits of this protocol version.",
        "Whether the limits are confirmed",
    )
    yield from must(
        facts.dosing_paused,
        False,
        "dosing_paused",
        "Dosing is paused for the whole study.",
        "Whether dosing is paused",
    )
    yield from must(
        facts.participant_active,
        True,
        "participant_inactive",
        "This person no longer takes part in the study.",
        "Whether this person takes part",
    )
    yield from must(
        facts.identity_confirmed,
        True,
        "identity_unconfirmed",
        "Who is in the room has not been checked at this visit.",
        "Whether the identity was checked",
    )
    yield from must(
        facts.already_dosed,
        False,
        "already_dosed",
        "A dose has already been given in this series.",
        "Whether a dose was given before",
    )


def _consent(fact: ConsentFact | None, at: datetime) -> Iterator[GateReason]:
    if fact is None:
        yield shut("consent_missing", "There is no consent.")
        return
    signed_at = known(fact.signed_at)
    if signed_at is None:
        yield unknown("consent_missing", "When consent was signed")
    elif signed_at > at:
        yield shut("consent_missing", "Consent is dated in the future.")
    yield from must(
        fact.withdrawn,
        False,
        "consent_withdrawn",
        "Consent is withdrawn.",
        "Whether consent still stands",
    )
    if not fact.version or not fact.current_version:
        yield unknown("consent_outdated", "Which consent text was signed")
    elif fact.version != fact.current_version:
        yield shut(
            "consent_outdated",
            f"Consent text {fact.version} was signed; {fact.current_version} is current.",
        )


def _sign_off(fact: SignOffFact | None, at: datetime) -> Iterator[GateReason]:
    if fact is None:
        yield shut("sign_off_missing", "No physician has signed this person off.")
        return
    yield from must(
        fact.eligible,
        True,
        "sign_off_missing",
        "The newest sign-off does not say eligible.",
        "What the newest sign-off says",
    )
    valid_until = known(fact.valid_until)
    if valid_until is None:
        yield unknown("sign_off_expired", "How long the sign-off counts")
    elif at >= valid_until:
        yield shut("sign_off_expired", "The sign-off is too old.")
    if not fact.signed_digest or not fact.current_digest:
        yield unknown("sign_off_changed", "Whether anything changed since the sign-off")
    elif fact.signed_digest != fact.current_digest:
        yield shut("sign_off_changed", "Something the physician signed has changed since.")


def _number(facts: GateFacts) -> Iterator[GateReason]:
    if not facts.allocation_number:
        yield shut("number_missing", "No allocation number is issued.")


def _earlier(facts: GateFacts, rules: GateRules) -> Iterator[GateReason]:
    finished = dict(facts.earlier_visits_finished or ())
    for number in rules.earlier_visits:
        yield from must(
            finished.get(number),
            True,
            "visit_unfinished",
            f"Visit {number} is not finished.",
            f"Whether visit {number} is finished",
        )
    if facts.earlier_visits_finished is None and not rules.earlier_visits:
        yield unknown("visit_unfinished", "Whether earlier visits are finished")
    if facts.spacing_problems is None:
        yield unknown("spacing", "Whether the time between the visits was kept")
    for problem in facts.spacing_problems or ():
        yield shut("spacing", problem)


def _questions(fact: QuestionsFact | None, rules: GateRules, at: datetime) -> Iterator[GateReason]:
    if fact is None:
        yield shut("questions_missing", "Today's questions are not answered.")
        return
    if fact.outcome is None:
        yield unknown("questions_flagged", "What today's answers mean")
    elif fact.outcome not in {"clear", "released"}:
        told = "; ".join(fact.problems) or "see the answers"
        what = (
            "Today's answers are not complete" if fact.outcome == "undecided" else "Flagged today"
        )
        yield shut("questions_flagged", f"{what}: {told}.".replace("..", "."))
    answered_at = known(fact.answered_at)
    if answered_at is None:
        yield unknown("questions_old", "When today's questions were answered")
    elif answered_at > at:
        yield shut("questions_old", "The questions are dated in the future.")
    elif answered_at.astimezone(rules.zone).date() != at.astimezone(rules.zone).date():
        yield shut("questions_old", "The questions were answered on another day.")


def _kit(fact: KitFact | None, number: str | None, at: datetime) -> Iterator[GateReason]:
    if fact is None or not fact.number:
        yield shut("kit_missing", "There is no kit for this person.")
        return
    if not number:
        pass  # that no number is issued is a reason of its own
    elif not fact.for_number:
        yield unknown("kit_wrong", "Which number this kit was handed out for")
    elif fact.for_number != number:
        yield shut("kit_wrong", f"Kit {fact.number} is not for this person's number.")
    yield from must(
        fact.dispensed,
        True,
        "kit_undispensed",
        f"Kit {fact.number} is not handed out.",
        "Whether the kit is handed out",
    )
    yield from must(
        fact.scanned_matches,
        True,
        "kit_unscanned",
        f"The number read from the kit is not {fact.number}.",
        "The number read from the kit",
    )
    yield from must(
        fact.quarantined,
        False,
        "kit_quarantined",
        f"Kit {fact.number} is in quarantine.",
        "Whether the kit is in quarantine",
    )
    usable_until = known(fact.usable_until)
    if usable_until is None:
        yield unknown("kit_expired", "How long the kit can be used")
    elif at >= usable_until:
        yield shut("kit_expired", f"Kit {fact.number} has expired.")


def _around(facts: GateFacts) -> Iterator[GateReason]:
    """What must be there for an emergency: the kit, and a person beside the volunteer."""
    yield from must(
        facts.rescue_kit_ready,
        True,
        "rescue_kit",
        "The emergency kit was found incomplete today.",
        "Whether the emergency kit was looked through today",
    )
    yield from must(
        facts.somebody_stays,
        True,
        "nobody_stays",
        "Nobody has said to stay with the volunteer.",
        "Whether somebody stays with the volunteer",
    )


def _holds(facts: GateFacts) -> Iterator[GateReason]:
    if facts.open_holds is None:
        yield unknown("hold_open", "Whether a hold is open")
    for hold in facts.open_holds or ():
        yield shut("hold_open", f"Open hold: {hold}")
