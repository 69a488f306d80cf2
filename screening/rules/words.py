"""The questions in other languages. A text without its words is never replaced by another language's.

`languages/<language>.toml` holds, beside each English text, its translation. Where the English of the table has
changed since, the translation no longer counts: `complete` says so, and the language is not offered.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from screening.rules.rows import Gate, QuestionRow
from screening.rules.table import RuleTable
from studylab.studies.rules.protocol import Question

NATIVE = "en"
FOLDER = Path(__file__).parent / "languages"
_FILES = {"fr-ca": "fr_CA.toml"}


@dataclass(frozen=True)
class Words:
    """Texts of one language by their English."""

    language: str
    texts: Mapping[str, str]

    def say(self, english: str) -> str:
        """Return the text in this language; KeyError when it has none."""
        if self.language == NATIVE or not english:
            return english
        return self.texts[english]

    def lacking(self, table: RuleTable, gate: Gate) -> list[str]:
        """Return every English text of a gate's questions that has no words here, in order."""
        if self.language == NATIVE:
            return []
        return [text for text in table_texts(table, gate) if not self.texts.get(text, "").strip()]

    def complete(self, table: RuleTable, gate: Gate) -> bool:
        """Whether nothing lacks its words."""
        return not self.lacking(table, gate)


def table_texts(table: RuleTable, gate: Gate) -> list[str]:
    """Return every text that a volunteer sees of a gate's questions: titles, questions, units, hints."""
    found: dict[str, None] = {}
    for topic, rows in table.topics_asked(gate):
        for text in (topic.title, *(text for row in rows for text in row_texts(row))):
            found[text] = None
    return list(found)


def row_texts(row: QuestionRow) -> list[str]:
    """Return the texts of one question: itself, its unit where one is shown, the hint for own words."""
    unit = row.unit if row.kind in ("number", "hours_ago") else ""
    return [text for text in (row.text, unit, row.detail) if text]


def words_for(language: str, questions: Sequence[Question] = ()) -> Words:
    """Return the words of a language with those that a study's document gives for its own questions."""
    if language == NATIVE:
        return Words(NATIVE, {})
    house = _house(language)
    own = {question.text: question.text_fr for question in questions if question.text_fr}
    return Words(language, {**house, **own})


@lru_cache(maxsize=4)
def _house(language: str) -> Mapping[str, str]:
    text = (FOLDER / _FILES[language]).read_text(encoding="utf-8")
    return dict(tomllib.loads(text)["texts"])
