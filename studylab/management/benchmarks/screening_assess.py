"""How many full assessments one core makes in a second."""

import random
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import studylab.studies
from screening.rules.assessment import Answer, Medicine, Person, assess
from screening.rules.rows import QuestionRow
from screening.rules.table import RuleTable, load_table
from screening.rules.vitals import VitalDecision
from studylab.management.benchmarks import Line, Measured, benchmark, best
from studylab.studies.rules.limits import Limits
from studylab.studies.rules.loader import load_protocol

AT = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
ANSWERS = 50
DOCUMENT = Path(studylab.studies.__file__).parent / "documents" / "demo.toml"
# What is asked for as a number, and what to answer so that nothing fires.
QUIET_NUMBERS = {"C-38a": 3.0, "C-22a": 2.0, "C-37b": 2.0}
LISTED = ("paracetamol", "ibuprofen", "cetirizine", "loratadine", "vitamin D", "salbutamol")
UNIT = "assessments per second, one core"
LOOP = "a plain loop over the same answers and values"


@dataclass(frozen=True, slots=True)
class Case:
    """One person as the rules see them."""

    answers: dict[str, Answer]
    medicines: tuple[Medicine, ...]
    vitals: VitalDecision
    person: Person


@benchmark("screening.assess", unit=UNIT, reference=LOOP, size=4000, tiny=20)
def assess_speed(size: int) -> Measured:
    """Assess `size` different people with 50 answers, 3 medicines and a vital set; then with every question."""
    whole = load_table()
    limits = load_protocol(DOCUMENT.read_text(encoding="utf-8")).limits
    value, ratio = _compare(_first_questions(whole, ANSWERS), limits, size)
    asked = len(_without_parent(whole))
    more, more_ratio = _compare(whole, limits, size)
    line = Line(f"screening.assess.{asked}_answers", more, UNIT, LOOP, more_ratio)
    return Measured(value, ratio, (line,))


def _compare(table: RuleTable, limits: Limits, size: int) -> tuple[float, float]:
    chance = random.Random(20260304)  # noqa: S311 - the same people in every run, nothing secret
    cases = [_case(table, chance) for _ in range(size)]
    quiet = {row.id: row.quiet for row in _without_parent(table)}
    ours = best(lambda: _assess_all(cases, table, limits))
    plain = best(lambda: [_plain(case, quiet, limits) for case in cases])
    return size / ours, plain / ours


def _assess_all(cases: Iterable[Case], table: RuleTable, limits: Limits) -> None:
    for case in cases:
        assess(
            table=table, limits=limits, answers=case.answers, medicines=case.medicines,
            no_medicines=False, vitals=case.vitals, person=case.person, at=AT, gate="screening",
        )  # fmt: skip


def _plain(case: Case, quiet: dict[str, str], limits: Limits) -> list[str]:
    """Look once at every value, as a spreadsheet would: no reasons, no order, no outcome."""
    fired = [key for key, answer in case.answers.items() if answer.value != quiet[key]]
    fired += [one.name for one in case.medicines if one.name in LISTED]
    bands, values = limits.screening, case.vitals
    for band, value in (
        (bands.systolic, values.systolic), (bands.diastolic, values.diastolic),
        (bands.pulse, values.pulse),
    ):  # fmt: skip
        if not band.pass_from <= value < band.pass_below:
            fired.append("vitals")
    return fired


def _without_parent(table: RuleTable) -> list[QuestionRow]:
    return [row for row in table.asked("screening") if not row.asked_if]


def _first_questions(table: RuleTable, number: int) -> RuleTable:
    """Return the table with its first questions that are always asked; measured rows stay."""
    keep = {row.id for row in _without_parent(table)[:number]}
    rows = [r for r in table.rows if r.id in keep or r.kind == "measured" or r.id == "C-47"]
    return replace(table, rows=tuple(rows))


def _case(table: RuleTable, chance: random.Random) -> Case:
    """Return somebody with about two answers that matter, three medicines, and values near the limits."""
    rows = _without_parent(table)
    answers = {row.id: _answer(row.kind, row.id, row.quiet, chance) for row in rows}
    medicines = tuple(
        Medicine(name, dose="one tablet", last_taken=AT - timedelta(hours=chance.randint(2, 400)))
        for name in chance.sample(LISTED, 3)
    )
    vitals = VitalDecision(
        chance.randint(192, 288) / 2,
        chance.randint(116, 184) / 2,
        chance.randint(108, 196) / 2,
        (2, 3),
    )
    person = Person(chance.randint(18, 45), 172, chance.randint(52, 80))
    return Case(answers, medicines, vitals, person)


def _answer(kind: str, row_id: str, quiet: str, chance: random.Random) -> Answer:
    if kind != "yes_no":
        return Answer(QUIET_NUMBERS.get(row_id, 1.0) if kind == "number" else "2025-01-10")
    loud = "yes" if quiet == "no" else "no"
    return Answer(chance.choice((loud, "not_sure")) if chance.random() < 2 / ANSWERS else quiet)
