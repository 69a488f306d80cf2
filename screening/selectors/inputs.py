"""Everything that an assessment looks at, gathered from what stands on record now."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from screening.models import AnswerSet, Assessment, Check, VitalSet
from screening.rules.inputs import Answer, Medicine, Person, inputs_digest
from screening.rules.outcome import Finding
from screening.rules.rows import Gate, QuestionRow
from screening.rules.table import RuleTable, load_table
from screening.rules.vitals import VitalDecision
from screening.selectors.answers import (
    ANSWERS_AT_SCREENING,
    answer_sets,
    answers_at_screening,
    as_answers,
    as_medicines,
    newest_answers,
)
from screening.selectors.checks import CHECKS_AT_SCREENING, checks_at_screening
from screening.selectors.measured import Measured, measured_at_screening
from screening.selectors.told import told_before
from screening.selectors.vitals import READINGS_AT_SCREENING, SETS_AT_SCREENING, sets_at_screening
from studylab.participants.models import Participant
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.limits import Limits
from studylab.studies.selectors import (
    CurrentProtocol,
    confirmed_versions,
    current_protocol,
    plan_of,
    version_at,
)

# What an assessment at screening reads of a person.
READ_AT_SCREENING = (
    ANSWERS_AT_SCREENING,
    SETS_AT_SCREENING,
    READINGS_AT_SCREENING,
    CHECKS_AT_SCREENING,
)
CHANGED = "A first answer that matters was taken back; a physician looks at it."


@dataclass(frozen=True)
class Inputs:
    """One state of a person's record at a gate.

    `repeated` says that the sets of readings exclude together. `measured` is what all sets and the other checks
    at screening come to, None at other gates. `taken_back` are findings on
    answers that mattered at first and were changed to ones that do not.
    """

    protocol: CurrentProtocol
    table: RuleTable
    answer_set: AnswerSet | None
    vital_set: VitalSet | None
    answers: dict[str, Answer]
    medicines: tuple[Medicine, ...]
    no_medicines: bool
    vitals: VitalDecision | None
    repeated: bool
    person: Person
    taken_back: tuple[Finding, ...]
    limits_then: Limits | None = None  # in force when the values were taken, where they differ
    measured: Measured | None = None

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the inputs, table and protocol: what a sign-off is bound to."""
        return inputs_digest(
            answers=self.answers,
            medicines=self.medicines,
            no_medicines=self.no_medicines,
            vitals=self.vitals,
            person=self.person,
            table_hash=self.table.hash,
            protocol_hash=self.protocol.version.sha256,
            measured=self.measured.content() if self.measured else None,
        )


def table_of(protocol: CurrentProtocol) -> RuleTable:
    """Return the house's table with the questions that the study adds."""
    return load_table().for_study(protocol.plan.questions)


def current_inputs(participant: Participant, gate: str, visit_uid: UUID | None = None) -> Inputs:
    """Return what stands on record for a gate.

    The dosing day judges the day's answers and medicines; its readings are judged by the dose gate. What was
    answered at screening counts along, except a question that is asked again that day.
    """
    protocol = current_protocol(participant.study)
    table = table_of(protocol)
    if gate == Assessment.Gate.SCREENING:
        versions, told = confirmed_versions(participant.study), told_before(participant)
        return _screening(participant, protocol, table, versions, told)
    ahead = gate == Assessment.Gate.AHEAD
    return _for_visit(participant, protocol, table, visit_uid, "ahead" if ahead else "dosing_day")


def current_inputs_digest(participant: Participant, current: CurrentProtocol | None = None) -> str:
    """Return the digest of what stands on record at screening, to compare with what was signed.

    Earlier versions' limits and answers taken back make findings, not inputs: they are not read. `current` is the
    study's protocol of now where the caller has it.
    """
    protocol = current or current_protocol(participant.study)
    return _screening(participant, protocol, table_of(protocol), versions=[], told={}).digest


def _screening(
    participant: Participant,
    protocol: CurrentProtocol,
    table: RuleTable,
    versions: list[ProtocolVersion],
    told: Mapping[str, Sequence[Any]],
) -> Inputs:
    return screening_inputs(
        protocol, table, answers_at_screening(participant), sets_at_screening(participant), versions,
        checks_at_screening(participant), participant.study.zone, told,
    )  # fmt: skip


def screening_inputs(
    protocol: CurrentProtocol,
    table: RuleTable,
    sets: Sequence[AnswerSet],
    vital_sets: Sequence[VitalSet],
    versions: list[ProtocolVersion],
    checks: Sequence[Check],
    zone: ZoneInfo,
    told: Mapping[str, Sequence[Any]] | None = None,
) -> Inputs:
    """Return the inputs at screening from one person's rows, oldest first: all answers, standing vital sets
    and other checks.

    `versions` are the study's confirmed protocol versions, `told` what the person changed before sending.
    """
    newest = sets[-1] if sets else None
    vital_set = vital_sets[-1] if vital_sets else None
    measured = measured_at_screening(protocol.plan.limits, zone, vital_sets, checks, newest)
    decision = measured.sets[-1].decision if measured.sets else None
    return Inputs(
        protocol=protocol,
        table=table,
        answer_set=newest,
        vital_set=vital_set,
        answers=as_answers(newest.answers) if newest else {},
        medicines=as_medicines(newest.medicines) if newest else (),
        no_medicines=newest.no_medicines if newest else False,
        vitals=decision if isinstance(decision, VitalDecision) else None,
        repeated=measured.ruling.outcome == "exclude",
        person=person_of(newest),
        taken_back=_taken_back(table.asked("screening"), sets, told or {}),
        limits_then=_limits_then(protocol.plan.limits, newest, vital_set, versions),
        measured=measured,
    )


def _limits_then(
    now: Limits,
    answer_set: AnswerSet | None,
    vital_set: VitalSet | None,
    versions: list[ProtocolVersion],
) -> Limits | None:
    """Return the limits in force when readings were taken and answers given; None where they are the same."""
    if not versions:
        return None
    measured = version_at(versions, vital_set.taken_at) if vital_set else None
    asked = version_at(versions, answer_set.given_at) if answer_set else None
    then = plan_of(measured).limits if measured else now
    numbers = plan_of(asked).limits.numbers if asked else now.numbers
    then = replace(then, numbers=numbers)
    return None if (then.screening, then.numbers) == (now.screening, now.numbers) else then


def _for_visit(
    participant: Participant,
    protocol: CurrentProtocol,
    table: RuleTable,
    visit_uid: UUID | None,
    gate: Gate,
) -> Inputs:
    sets = list(answer_sets(participant, gate, visit_uid))
    day = sets[-1] if sets else None
    before = newest_answers(participant, AnswerSet.When.SCREENING)
    asked_again = {row.id for row in table.asked(gate)}
    answers = {
        key: answer
        for key, answer in as_answers(before.answers if before else {}).items()
        if key not in asked_again
    }
    listed = day if day and (day.medicines or day.no_medicines) else before
    return Inputs(
        protocol=protocol,
        table=table,
        answer_set=day,
        vital_set=None,
        answers=answers | as_answers(day.answers if day else {}),
        medicines=as_medicines(listed.medicines) if listed else (),
        no_medicines=listed.no_medicines if listed else False,
        vitals=None,
        repeated=False,
        person=person_of(before),
        taken_back=_taken_back(table.asked(gate), _of_the_same_day(sets, participant), {}),
    )


def _of_the_same_day(sets: Sequence[AnswerSet], participant: Participant) -> list[AnswerSet]:
    """Return the sets given on the day of the newest one: what was true another day was not taken back."""
    zone = ZoneInfo(participant.study.timezone)
    day = sets[-1].given_at.astimezone(zone).date() if sets else None
    return [one for one in sets if one.given_at.astimezone(zone).date() == day]


def unknown_medicines(inputs: Inputs) -> list[tuple[str, tuple[str, ...]]]:
    """Return medicines that the list does not know, in the volunteer's words, with names that look alike."""
    catalogue = inputs.table.catalogue
    return [
        (medicine.name, catalogue.suggest(medicine.name, 3))
        for medicine in inputs.medicines
        if None in catalogue.resolve(medicine.name, medicine.atc, medicine.route)
    ]


def person_of(answer_set: AnswerSet | None) -> Person:
    """Return age, height and weight as given with the answers."""
    if answer_set is None:
        return Person(None, None, None)
    return Person(answer_set.age_years, answer_set.height_cm, answer_set.weight_kg)


def _taken_back(
    rows: Sequence[QuestionRow], sets: Sequence[AnswerSet], told: Mapping[str, Sequence[Any]]
) -> tuple[Finding, ...]:
    """Return one finding for each answer that mattered earlier and no longer does.

    `told` are the answers that a volunteer changed before sending; they count like those of earlier sets.
    """
    if len(sets) < 2 and not (sets and told):
        return ()
    newest = sets[-1]
    findings = []
    for row in rows:
        if not row.quiet or row.disposition in (None, "note"):
            continue
        now = (newest.answers.get(row.id) or {}).get("value")
        earlier = [(s.answers.get(row.id) or {}).get("value") for s in sets[:-1]]
        mattered = [v for v in (*earlier, *told.get(row.id, ())) if v and v != row.quiet]
        if now == row.quiet and mattered:
            findings.append(_changed(row, mattered[-1], now))
    return tuple(findings)


def _changed(row: QuestionRow, before: str, now: str) -> Finding:
    words = {"not_sure": "not sure"}
    return Finding(
        rule_id=f"changed-{row.id}",
        concept=row.concept,
        disposition="physician",
        reason=CHANGED,
        source="proposal; three in four experienced volunteers had hidden something "
        "(Clin Trials 2013;10:935)",
        said=f"first {words.get(before, before)}, now {words.get(now, now)}: {row.text}",
    )
