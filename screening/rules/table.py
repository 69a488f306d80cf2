"""The screening table as one frozen value: questions, measured values, medicines, version and hash."""

import json
import tomllib
from dataclasses import asdict, dataclass, replace
from functools import cached_property, lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from screening.rules.catalogue import Catalogue, load_catalogue
from screening.rules.rows import WEIGHT, Gate, QuestionRow, TableError, read_row
from screening.rules.sieve import Sieve, sieve_of
from studylab.studies.rules.protocol import Question

FOLDER = Path(__file__).parent / "questions"
STUDY_TOPIC, DAY_TOPIC = "study", "today"


@dataclass(frozen=True, slots=True)
class Topic:
    """What is asked together, one screen of the questionnaire."""

    key: str
    title: str


@dataclass(frozen=True, slots=True)
class NumberKey:
    """A number that the protocol must set; `proposed` is never used by an assessment."""

    key: str
    proposed: float
    unit: str
    meaning: str


@dataclass(frozen=True, eq=False)
class RuleTable:
    """All rules at one version. `rows` are in the order in which they are asked."""

    version: str
    topics: tuple[Topic, ...]
    numbers: tuple[NumberKey, ...]
    rows: tuple[QuestionRow, ...]
    catalogue: Catalogue

    @cached_property
    def hash(self) -> str:
        """SHA-256 of everything that the table says, 64 hexadecimal characters."""
        content = {
            "version": self.version,
            "topics": [asdict(topic) for topic in self.topics],
            "numbers": [asdict(number) for number in self.numbers],
            "rows": [asdict(row) for row in self.rows],
            "medicines": self.catalogue.content(),
        }
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return sha256(text.encode()).hexdigest()

    @cached_property
    def _by_id(self) -> dict[str, QuestionRow]:
        return {row.id: row for row in self.rows}

    @cached_property
    def _asked(self) -> dict[Gate, tuple[QuestionRow, ...]]:
        gates: tuple[Gate, ...] = ("screening", "ahead", "dosing_day")
        return {
            gate: tuple(r for r in self.rows if gate in r.when and r.kind != "measured")
            for gate in gates
        }

    @cached_property
    def _sieves(self) -> dict[Gate, Sieve]:
        return {gate: sieve_of(rows) for gate, rows in self._asked.items()}

    def sieve(self, gate: Gate) -> Sieve:
        """Return what tells the answers of a gate that need a look from those that lead to nothing."""
        return self._sieves[gate]

    def row(self, rule_id: str) -> QuestionRow:
        """Return the row with this id; KeyError when there is none."""
        return self._by_id[rule_id]

    def asked(self, gate: Gate) -> tuple[QuestionRow, ...]:
        """Return the questions of a gate in order; measured and listed rows are not among them."""
        return self._asked[gate]

    def topics_asked(self, gate: Gate) -> tuple[tuple[Topic, tuple[QuestionRow, ...]], ...]:
        """Return the topics of a gate that have questions, each with its questions in order.

        Around a dosing visit the questions on that day come first.
        """
        first = "" if gate == "screening" else DAY_TOPIC
        grouped = (
            (topic, tuple(row for row in self.asked(gate) if row.topic == topic.key))
            for topic in sorted(self.topics, key=lambda topic: topic.key != first)
        )
        return tuple((topic, rows) for topic, rows in grouped if rows)

    def for_study(self, questions: tuple[Question, ...]) -> "RuleTable":
        """Return this table with the study's own questions added.

        A question with the id of a house row tightens that row. Raises TableError when it would loosen it,
        or when an id comes twice.
        """
        return _for_study(self, tuple(questions)) if questions else self


@lru_cache(maxsize=64)
def _for_study(table: RuleTable, questions: tuple[Question, ...]) -> RuleTable:
    rows = {row.id: row for row in table.rows}
    seen: set[str] = set()
    for question in questions:
        if question.id in seen:
            raise TableError(f"{question.id} comes twice among the study's questions; rename one.")
        seen.add(question.id)
        house = rows.get(question.id)
        rows[question.id] = _added(question) if house is None else _tightened(house, question)
    topics = (*table.topics, Topic(STUDY_TOPIC, "This study"))
    return replace(table, topics=topics, rows=tuple(rows.values()))


def _added(question: Question) -> QuestionRow:
    return read_row(
        {
            "id": question.id,
            "text": question.text,
            "when": [question.when],
            "flag_on": question.flag_on,
            "disposition": question.disposition,
            "not_sure": "note" if question.disposition == "note" else "physician",
            "concept": question.concept,
            "reason": question.reason,
            "source": question.source,
        },
        STUDY_TOPIC,
    )


def _tightened(house: QuestionRow, question: Question) -> QuestionRow:
    """Return the house row with the study's stricter disposition and its reason and source."""
    if house.kind != "yes_no" or house.disposition is None:
        raise TableError(
            f"{house.id} is judged by a number; set that number in the study's limits instead."
        )
    if question.flag_on != house.flag_on:
        raise TableError(
            f'{house.id}: the house flags the answer "{house.flag_on}"; a study may not turn that '
            "round. Use the same answer, or an id of your own."
        )
    if WEIGHT[question.disposition] < WEIGHT[house.disposition]:
        what = (
            f"a contraindication of {' and '.join(house.label)}" if house.label else "a house rule"
        )
        raise TableError(
            f'{house.id} ({house.concept}) is {what} with disposition "{house.disposition}"; a study '
            f'may tighten it, not loosen it to "{question.disposition}". Leave the question out.'
        )
    when = tuple(dict.fromkeys((*house.when, question.when)))
    return replace(
        house,
        when=when,
        disposition=question.disposition,
        reason=question.reason,
        source=question.source,
    )


def build_table(index: dict[str, Any], files: dict[str, Any], catalogue: Catalogue) -> RuleTable:
    """Return the table from parsed TOML: `index`, and per topic key a document with [[question]] tables."""
    topics = tuple(Topic(**topic) for topic in index["topics"])
    numbers = tuple(
        NumberKey(key, float(data["proposed"]), data["unit"], data["meaning"])
        for key, data in index["numbers"].items()
    )
    if set(files) != {topic.key for topic in topics}:
        raise TableError("The topics of the index and the files of questions are not the same.")
    rows = tuple(
        read_row(data, topic.key) for topic in topics for data in files[topic.key]["question"]
    )
    table = RuleTable(index["version"], topics, numbers, rows, catalogue)
    _check(table)
    return table


def _check(table: RuleTable) -> None:
    """Refuse ids that come twice, unknown parents and numbers that nobody declared."""
    known = {number.key for number in table.numbers}
    by_id: dict[str, QuestionRow] = {}
    for row in table.rows:
        if row.id in by_id:
            raise TableError(f"{row.id} comes twice; rename one.")
        by_id[row.id] = row
        for test in row.thresholds:
            if test.number not in known:
                raise TableError(f"{row.id}: declare the number {test.number} in the index.")
    for row in table.rows:
        parent = by_id.get(row.asked_if)
        if not row.asked_if:
            continue
        if parent is None or parent.kind != "yes_no" or not set(row.when) <= set(parent.when):
            raise TableError(
                f"{row.id}: `asked_if` must name a yes/no question of the same gate, not {row.asked_if}."
            )


@lru_cache(maxsize=1)
def load_table() -> RuleTable:
    """Return the house's table as shipped, read once per process."""
    index = tomllib.loads((FOLDER / "index.toml").read_text(encoding="utf-8"))
    files = {
        path.stem: tomllib.loads(path.read_text(encoding="utf-8"))
        for path in sorted(FOLDER.glob("*.toml"))
        if path.stem != "index"
    }
    return build_table(index, files, load_catalogue())
