"""May this person take part, and may they take the dose now? One pure function, a proposal to a physician.

Strictest wins: exclude before hold before physician before note. Whatever is not known, from a question to a
number of the protocol, is listed as missing, and nothing is cleared while anything is missing.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from screening.rules.answers import judge_answer, unanswered
from screening.rules.bands import PersonalLimits
from screening.rules.inputs import Answer, Medicine, Person, inputs_digest
from screening.rules.measures import judge_person, judge_vitals
from screening.rules.medicines import judge_medicine, named_in_words
from screening.rules.outcome import (
    VOLUNTEER,
    Assessment,
    Finding,
    Missing,
    Outcome,
    from_row,
    ordered,
    outcome_of,
)
from screening.rules.rows import Gate
from screening.rules.sieve import was_asked
from screening.rules.table import RuleTable
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import Limits

__all__ = [
    "Answer",
    "Assessment",
    "Finding",
    "Medicine",
    "Missing",
    "Outcome",
    "Person",
    "PersonalLimits",
    "assess",
    "inputs_digest",
]


def assess(
    *,
    table: RuleTable,
    limits: Limits,
    answers: Mapping[str, Answer],
    medicines: Sequence[Medicine],
    no_medicines: bool,
    vitals: VitalDecision | None,
    person: Person,
    at: datetime,
    gate: Gate,
    personal: PersonalLimits | None = None,
    vitals_repeat: bool = True,
    with_vitals: bool = True,
) -> Assessment:
    """Return the assessment at the moment `at`, an instant in the study's time zone.

    `no_medicines` is the person's statement that they take none. `vitals_repeat` False marks a first set: a
    value outside the limits then goes to a physician (screening) or holds (dosing day) instead of excluding.
    `with_vitals` False leaves the readings out, for a gate that judges them by itself. Raises ValueError when
    `at` or a `last_taken` has no time zone.
    """
    for moment in [at, *[medicine.last_taken for medicine in medicines]]:
        if moment is not None and moment.tzinfo is not UTC and moment.utcoffset() is None:
            raise ValueError(f"{moment.isoformat()} has no time zone.")
    findings, missing, told = _from_answers(table, limits, answers, at, gate)
    if told:
        findings += named_in_words(table.catalogue, told, medicines)
    parts = [_from_medicines(table, medicines, no_medicines, at, gate)]
    if gate == "screening":
        parts.append(judge_person(table, person, limits))
    if with_vitals:
        parts.append(
            judge_vitals(table, vitals, limits, gate, repeated=vitals_repeat, personal=personal)
        )
    for more_findings, more_missing in parts:
        findings += more_findings
        missing += more_missing
    in_order = ordered(findings)
    gaps = tuple(missing)
    return Assessment(outcome_of(in_order, gaps), in_order, gaps, table.version, table.hash)


def _from_answers(
    table: RuleTable, limits: Limits, answers: Mapping[str, Answer], at: datetime, gate: Gate
) -> tuple[list[Finding], list[Missing], list[tuple[str, str]]]:
    """Return findings, gaps, and what the person wrote in own words beside an answer."""
    findings: list[Finding] = []
    missing: list[Missing] = []
    told: list[tuple[str, str]] = []
    today = at.date()
    answer_to = answers.get
    for row in table.sieve(gate).to_look_at(answers):
        answer = answer_to(row.id)
        if answer is None or answer.value is None or answer.value == "":
            if not row.asked_if or was_asked(answer_to(row.asked_if)):
                missing.append(unanswered(row))
            continue
        if answer.detail:
            told.append((row.concept, answer.detail))
        found = judge_answer(row, answer, limits.numbers, today)
        if isinstance(found, Finding):
            findings.append(found)
        elif found is not None:
            missing.append(found)
    return findings, missing, told


def _from_medicines(
    table: RuleTable,
    medicines: Sequence[Medicine],
    no_medicines: bool,
    at: datetime,
    gate: Gate,
) -> tuple[list[Finding], list[Missing]]:
    row = table.row("C-47")
    if not medicines and not no_medicines:
        why = "Neither a medicine nor the statement that none is taken."
        return [], [Missing(row.id, row.text, VOLUNTEER, why)]
    findings = [
        found
        for medicine in medicines
        for found in judge_medicine(table.catalogue, medicine, at, gate)
    ]
    if medicines and no_medicines:
        said = f"none taken, yet {len(medicines)} listed"
        findings.append(from_row(row, "physician", said))
    return findings, []
