"""Reads the values of one table of a study document and notes what is wrong with them.

Every method returns a value of the promised type. When the document's own value cannot be used, a
problem is noted and a harmless filler returned, so that reading goes on and finds the rest; the
caller raises before a filler could leave the loader.
"""

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

from studylab.studies.rules.problems import Problems

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")  # the database stores no NUL; pages show none
_MISSING = object()
LONGEST_TEXT = 4000  # characters


def shown(value: object) -> str:
    """Return `value` as a message shows it, shortened."""
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a number of more than 18 digits"  # Python refuses to print very long integers
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a sentence naming the known word nearest to `word`, or all of them when none is near."""
    words = sorted(known)
    near = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    if near:
        return f'Did you mean "{near[0]}"?'
    return f"Known here: {', '.join(words)}." if words else "Nothing can be named here yet."


class Table:
    """One table of the document at `path`, read key by key; `close` refuses what nobody asked for."""

    def __init__(self, data: object, path: str, problems: Problems) -> None:
        self.path = path
        self.problems = problems
        self.readable = isinstance(data, dict)
        self._data: dict[str, Any] = data if isinstance(data, dict) else {}
        self._known: set[str] = set()
        if not self.readable and data is not _MISSING:
            problems.add(path, f"This must be a table, not {shown(data)}.", "Write a table here.")

    def key(self, name: str) -> str:
        """Return the full path of `name`."""
        return f"{self.path}.{name}" if self.path else name

    def names(self) -> tuple[str, ...]:
        """Return the keys present, for tables whose keys the study chooses; marks them as known."""
        self._known.update(self._data)
        return tuple(self._data)

    def has(self, name: str) -> bool:
        """Whether the document gives `name`."""
        return name in self._data

    def wrong(self, name: str, message: str, fix: str) -> None:
        """Note a problem with `name`."""
        self.problems.add(self.key(name), message, fix)

    def close(self) -> None:
        """Refuse every key that was not read, by name."""
        for name in self._data:
            if name not in self._known:
                self.wrong(name, "This key is not known here.", nearest(name, self._known))

    def text(
        self, name: str, *, default: str | None = None, pattern: str = "", rule: str = ""
    ) -> str:
        """Return a text; with `pattern` it must match whole, and `rule` says so in words."""
        value = self._take(name, default is None, "a text")
        if value is _MISSING:
            return default or ""
        return self._checked_text(self.key(name), value, pattern, rule)

    def whole(self, name: str, *, low: int, high: int, default: int | None = None) -> int:
        """Return a whole number from `low` to `high`, both included."""
        value = self._take(name, default is None, "a whole number")
        if value is _MISSING:
            return low if default is None else default
        return self._checked_whole(self.key(name), value, low, high)

    def number(self, name: str, *, low: float, high: float, default: float | None = None) -> float:
        """Return a number from `low` to `high`, both included."""
        value = self._take(name, default is None, "a number")
        if value is _MISSING:
            return low if default is None else default
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not math.isfinite(value if isinstance(value, float) else 0.0):
            self.wrong(name, f"This must be a number, not {shown(value)}.", _between(low, high))
            return low
        if not low <= value <= high:
            self.wrong(name, f"{shown(value)} is outside what is possible.", _between(low, high))
            return low
        return float(value)

    def flag(self, name: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._take(name, False, "")
        if value is _MISSING:
            return default
        if not isinstance(value, bool):
            self.wrong(
                name, f"This must be true or false, not {shown(value)}.", "Write true or false."
            )
            return default
        return value

    def one_of(self, name: str, allowed: Sequence[str], *, default: str | None = None) -> Any:
        """Return one of the `allowed` words."""
        value = self._take(name, default is None, "one of: " + ", ".join(allowed))
        if value is _MISSING:
            return allowed[0] if default is None else default
        if value not in tuple(allowed):  # a tuple compares; a set would hash lists and fail
            fix = f"Use one of: {', '.join(allowed)}."
            self.wrong(name, f"{shown(value)} is not known here.", fix)
            return allowed[0]
        return value

    def texts(self, name: str, *, at_least: int) -> tuple[str, ...]:
        """Return a list of different texts; it may be left out when `at_least` is 0."""
        rows = self._rows(name, at_least, "text")
        found = [
            self._checked_text(f"{self.key(name)}[{place}]", row, "", "") for place, row in rows
        ]
        for place, text in enumerate(found, start=1):
            if text and text in found[: place - 1]:
                message = f"{shown(text)} stands here twice."
                self.wrong(f"{name}[{place}]", message, "Remove it or write another text.")
        return tuple(found)

    def wholes(self, name: str, *, at_least: int, low: int, high: int) -> tuple[int, ...]:
        """Return a list of whole numbers from `low` to `high`."""
        rows = self._rows(name, at_least, "whole number")
        return tuple(
            self._checked_whole(f"{self.key(name)}[{place}]", row, low, high) for place, row in rows
        )

    def table(self, name: str) -> "Table":
        """Return the required table `name`."""
        return Table(self._take(name, True, "a table"), self.key(name), self.problems)

    def tables(self, name: str, *, at_least: int) -> list["Table"]:
        """Return a list of tables; it may be left out when `at_least` is 0."""
        rows = self._rows(name, at_least, "table")
        return [Table(row, f"{self.key(name)}[{place}]", self.problems) for place, row in rows]

    def items(self, name: str) -> list[tuple[str, Any]]:
        """Return the rows of an optional list as (path, value), for lists of mixed rows."""
        rows = self._rows(name, 0, "row")
        return [(f"{self.key(name)}[{place}]", row) for place, row in rows]

    def _take(self, name: str, required: bool, what: str) -> Any:
        self._known.add(name)
        value = self._data.get(name, _MISSING)
        if value is _MISSING and required and self.readable:
            self.wrong(name, "This is missing.", f"Add {name}: {what}.")
        return value

    def _rows(self, name: str, at_least: int, what: str) -> list[tuple[int, Any]]:
        value = self._take(name, at_least > 0, f"a list with at least {_many(at_least, what)}")
        if value is _MISSING:
            return []
        if not isinstance(value, list):
            message = f"This must be a list, not {shown(value)}."
            self.wrong(name, message, f"Write a list with one {what} a row.")
            return []
        if len(value) < at_least:
            message = f"This list has {_many(len(value), 'row')}, too few."
            self.wrong(name, message, f"Give at least {at_least}.")
        return list(enumerate(value, start=1))

    def _checked_text(self, path: str, value: object, pattern: str, rule: str) -> str:
        fix = rule or "Write a text in quotation marks."
        if not isinstance(value, str):
            self.problems.add(path, f"This must be a text, not {shown(value)}.", fix)
        elif not value.strip():
            self.problems.add(path, "This is empty.", fix)
        elif _CONTROL.search(value):
            self.problems.add(path, "This holds a control character.", "Remove it.")
        elif len(value) > LONGEST_TEXT:
            fix = f"Use at most {LONGEST_TEXT} characters."
            self.problems.add(path, f"This text has {len(value)} characters.", fix)
        elif pattern and not re.fullmatch(pattern, value.strip()):
            self.problems.add(path, f"{shown(value)} does not fit here.", fix)
        else:
            return value.strip()
        return ""

    def _checked_whole(self, path: str, value: object, low: int, high: int) -> int:
        if not isinstance(value, int) or isinstance(value, bool):
            message = f"This must be a whole number, not {shown(value)}."
            self.problems.add(path, message, _between(low, high))
            return low
        if not low <= value <= high:
            message = f"{shown(value)} is outside what is possible."
            self.problems.add(path, message, _between(low, high))
            return low
        return value


def _between(low: float, high: float) -> str:
    return f"Give a number from {low:g} to {high:g}."


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
