"""Everything on record about one volunteer in the order of time, by code and blinded, for print.

The same tables, columns and meanings as the export of the study: what may not leave the house is not in here either.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from screening.rules.table import load_table
from studylab.outbox.selectors.messages import titles
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.reports.rules.cells import cell
from studylab.reports.selectors.export_tables import Table, export_tables
from studylab.studies.selectors import newest_version, plan_of
from studylab.templatetags.studylab import instant

# Marks by which rows find each other in the files; on paper they say nothing.
_MARKS = {
    "uid",
    "visit_uid",
    "code",
    "client_id",
    "vital_set_uid",
    "table_hash",
    "inputs_digest",
    "serial",
}
# What the outbox works with, which tells nobody anything about the person.
_INNER = {"messages": {"key", "about", "attempts", "next_at", "useful_until", "matters_until"}}


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that happened: when, what, its number in its table, and its values as (meaning, text)."""

    at: datetime
    title: str
    number: str
    values: tuple[tuple[str, str], ...]
    replaced: bool = False


def file_of_person(person: Participant) -> list[Entry]:
    """Return the entries, oldest first; what was corrected since stays, marked."""
    words = _Words(person)
    found = [
        entry
        for table in export_tables()
        if table.text.person is not None
        for entry in _entries(table, person, words)
    ]
    return sorted(found, key=lambda one: one.at)


class _Words:
    """Staff numbers as names, keys of questions as questions."""

    def __init__(self, person: Participant) -> None:
        self.messages = titles()
        self.staff = dict(User.objects.values_list("pk", "name"))
        version = newest_version(person.study)
        table = load_table().for_study(plan_of(version).questions) if version else load_table()
        self.questions = {row.id: row.text for row in table.rows}


def _entries(table: Table, person: Participant, words: _Words) -> Iterator[Entry]:
    way = (table.text.person or "").removesuffix("__")
    only = {way: person.pk} if way else {"pk": person.pk}
    names = [column.name for column in table.columns]
    rows = [dict(zip(names, row, strict=True)) for row in table.rows(person.study).filter(**only)]
    gone = {row.get("supersedes_id") for row in rows}
    for row in rows:
        at = row[table.text.moment]
        yield Entry(
            at=getattr(at, "lower", at), title=table.text.title,
            number=str(row.get("id", "")), replaced=row.get("id") is not None and row["id"] in gone,
            values=tuple(_values(table, row, words)),
        )  # fmt: skip


def _values(table: Table, row: dict[str, Any], words: _Words) -> Iterator[tuple[str, str]]:
    for column, field in zip(table.columns, table.fields, strict=True):
        value = row[column.name]
        inner = column.name in _MARKS or column.name in _INNER.get(table.text.name, ())
        if inner or column.name == "id" or value in (None, "", [], {}):
            continue
        if (table.text.name, column.name) == ("messages", "kind"):
            yield column.meaning, words.messages.get(value, value)
            continue
        if column.name == "answers":
            for key, said in sorted(value.items()):
                yield words.questions.get(key, key), _answer(said)
            continue
        if isinstance(value, dict):
            value = {
                key: kept
                for key, kept in value.items()
                if key not in table.text.without.get(column.name, ())
            }
        yield (
            _meaning(column.meaning),
            _said(column.points_at, field, value, words)
            + (f" {column.unit}" if column.unit else ""),
        )


def _meaning(text: str) -> str:
    """Return what a column means in the words of paper, where staff stand by name and empty cells not at all."""
    return text.partition(";")[0].removeprefix("staff number of ")


def _answer(said: Any) -> str:
    if not isinstance(said, dict):
        return cell(said)
    text = cell(said.get("value"))
    return f"{text}: {said['detail']}" if said.get("detail") else text


def _said(points_at: str, field: Any, value: Any, words: _Words) -> str:
    if points_at == "staff.csv":
        return words.staff.get(value, f"staff number {value}")
    if isinstance(value, datetime):
        return instant(value)
    if isinstance(value, dict):
        return "; ".join(f"{key}: {cell(kept)}" for key, kept in value.items())
    if isinstance(value, list):
        return ", ".join(
            one if isinstance(one, str) else _said("", None, one, words) for one in value
        )
    names = dict(getattr(field, "flatchoices", ()))
    return str(names.get(value, value if isinstance(value, str) else cell(value)))
