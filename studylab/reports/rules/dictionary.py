"""What an export holds: tables, what one row of each is, and what each column means. Read from two TOML files."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a CSV file. `kind` is text, number, time, day, yes or no, or JSON; `points_at` another file."""

    name: str
    meaning: str
    kind: str = ""
    unit: str = ""
    allowed: tuple[str, ...] = ()
    points_at: str = ""


@dataclass(frozen=True, slots=True)
class TableText:
    """What tables.toml says of one table of the record.

    `study` and `person` are the ways, in Django's notation, from a row to its study and to its volunteer; `moment` is
    the column of when it happened, `title` its name in a volunteer's file, and `consent` whether rows carry the consent
    that they were recorded under; `columns` maps a header to meaning and unit; `without` maps a JSON column to the keys
    that are left out of its objects.
    """

    name: str
    model: str
    study: str
    row: str
    key: str
    person: str | None
    title: str
    moment: str
    consent: bool
    only: Mapping[str, Any] = field(default_factory=dict)
    columns: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    kept_back: Mapping[str, str] = field(default_factory=dict)
    without: Mapping[str, list[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DerivedText:
    """A file made from the tables: what one row is, its key, its columns."""

    name: str
    row: str
    key: str
    columns: tuple[Column, ...]


class DictionaryWrong(ValueError):
    """A table or column of the two files is not described as it should be; the message names it."""


@cache
def tables() -> tuple[TableText, ...]:
    """Return the tables of the record, in the order in which they can be read in again."""
    read = tomllib.loads((HERE / "tables.toml").read_text(encoding="utf-8"))
    shared = read.pop("shared")
    return tuple(_table(name, content, shared) for name, content in read.items())


@cache
def derived() -> dict[str, DerivedText]:
    """Return the files made from the tables, by name."""
    read = tomllib.loads((HERE / "derived.toml").read_text(encoding="utf-8"))
    return {
        name: DerivedText(
            name, content["row"], content["key"],
            tuple(Column(key, *said) for key, said in content["columns"].items()),
        )
        for name, content in read.items()
    }  # fmt: skip


def _table(name: str, content: dict[str, Any], shared: dict[str, str]) -> TableText:
    columns = {
        header: _meaning(name, header, said, shared) for header, said in content["columns"].items()
    }
    consent = content.get("consent", False)
    if consent:
        columns["consent_id"] = (shared["consent_id"], "")
    plain = ("title", "moment", "person", "only", "kept_back", "without")
    given = {"title": "", "moment": "", "person": None, "key": "id"} | {
        key: content[key] for key in ("model", "study", "row", "key", *plain) if key in content
    }
    return TableText(name=name, consent=consent, columns=columns, **given)


def _meaning(
    table: str, header: str, said: str | list[str], shared: dict[str, str]
) -> tuple[str, str]:
    meaning, unit = said if isinstance(said, list) else (said, "")
    meaning = meaning or shared.get(header, "")
    if not meaning:
        raise DictionaryWrong(f"{table}.{header} has no meaning.")
    return meaning, unit
