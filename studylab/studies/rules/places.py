"""Where each value of a study document stands in its text, so that a problem names its line and a form can change one value.

A small reader of TOML 1.0 that keeps places instead of values. It is asked about texts that `tomllib` has read already;
for others it stops where it no longer understands and knows the places up to there.
"""

import re
from dataclasses import dataclass

_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_KEY = re.compile(r"[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.|\\\n)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)
_PLAIN = re.compile(r"[^,\]\}#\n\r]*[^,\]\}#\n\r\s]")


@dataclass(frozen=True, slots=True)
class Spot:
    """A value in the text: the line of its key (from 1), and the value itself from `start` to before `end`."""

    line: int
    start: int
    end: int


class _Lost(Exception):
    """The text goes on in a way that this reader does not understand."""


class _Reader:
    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.spots: dict[str, Spot] = {}
        self._counts: dict[str, int] = {}

    def read(self) -> dict[str, Spot]:
        prefix = ""
        try:
            while self._skip(_BLANK) < len(self.text):
                if self.text.startswith("[", self.at):
                    prefix = self._header()
                else:
                    self._pair(prefix)
        except (_Lost, RecursionError):
            pass
        return self.spots

    def _header(self) -> str:
        start, many = self.at, self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        names = self._names()
        self._expect("]]" if many else "]")
        path = ""
        for name in names[:-1]:
            path = self._last_row(_joined(path, name))
        path = _joined(path, names[-1])
        if many:
            self._counts[path] = self._counts.get(path, 0) + 1
            self._note(path, start, start, self.at)  # the list itself: its first row
        path = self._last_row(path)
        self._note(path, start, start, self.at)
        return path

    def _last_row(self, path: str) -> str:
        return f"{path}[{self._counts[path]}]" if path in self._counts else path

    def _pair(self, prefix: str) -> None:
        start, path = self.at, prefix
        for name in self._names():
            path = _joined(path, name)
        self._expect("=")
        self._skip(_SPACE)
        self._value(path, start)

    def _value(self, path: str, key_at: int) -> None:
        start = self.at
        if self.text.startswith("[", start):
            self._list(path)
        elif self.text.startswith("{", start):
            self._table(path)
        else:
            self._scalar()
        self._note(path, key_at, start, self.at)

    def _list(self, path: str) -> None:
        self._expect("[")
        row = 0
        while True:
            self._skip(_BLANK)
            if self.text.startswith("]", self.at):
                break
            row += 1
            self._value(f"{path}[{row}]", self.at)
            self._skip(_BLANK)
            if not self.text.startswith("]", self.at):
                self._expect(",")
        self._expect("]")

    def _table(self, path: str) -> None:
        self._expect("{")
        self._skip(_BLANK)
        while not self.text.startswith("}", self.at):
            self._pair(path)
            self._skip(_BLANK)
            if not self.text.startswith("}", self.at):
                self._expect(",")
                self._skip(_BLANK)
        self._expect("}")

    def _scalar(self) -> None:
        for pattern in (*_STRINGS, _PLAIN):
            found = pattern.match(self.text, self.at)
            if found:
                self.at = found.end()
                return
        raise _Lost

    def _names(self) -> list[str]:
        names = []
        while True:
            self._skip(_SPACE)
            found = _KEY.match(self.text, self.at)
            if not found:
                raise _Lost
            names.append(found[0].strip("\"'"))
            self.at = found.end()
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return names
            self.at += 1

    def _note(self, path: str, key_at: int, start: int, end: int) -> None:
        line = self.text.count("\n", 0, key_at) + 1
        self.spots.setdefault(path, Spot(line, start, end))

    def _expect(self, sign: str) -> None:
        if not self.text.startswith(sign, self.at):
            raise _Lost
        self.at += len(sign)

    def _skip(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self.text, self.at)
        assert found is not None, "both patterns match nothing as well"
        self.at = found.end()
        return self.at


def _joined(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def places(text: str) -> dict[str, Spot]:
    """Return the place of every key and row, by the path that problems use: "visits[2].segments[1].minutes"."""
    return _Reader(text).read()


def line_of(spots: dict[str, Spot], key: str) -> int | None:
    """Return the line of a key, or of the nearest thing around it when the key itself is not there; None without any."""
    while key:
        if key in spots:
            return spots[key].line
        key = key[: key.rindex("[")] if key.endswith("]") else key.rpartition(".")[0]
    return None
