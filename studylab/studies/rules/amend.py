"""Changing single limits inside the text of a study document, so that its comments and order stay.

Only numbers below [limits] are touched. What comes out is read again and compared: every wanted number is
there and nothing else is different.
"""

import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from studylab.errors import Refused

Path = tuple[str, ...]
_TABLE = re.compile(r"\s*\[\s*([A-Za-z0-9_.\-\"]+)\s*\]\s*(#.*)?$")
_NUMBER = r"[+-]?\d[\d_]*(?:\.\d+)?"


def limit_numbers(document: str) -> dict[Path, float]:
    """Return every number below [limits] by its path, in the order of the document."""
    return dict(_numbers(tomllib.loads(document).get("limits", {}), ()))


def _numbers(table: Mapping[str, Any], path: Path) -> Iterator[tuple[Path, float]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _numbers(value, (*path, key))
        elif isinstance(value, int | float) and not isinstance(value, bool):
            yield (*path, key), value


def amended(document: str, wanted: Mapping[Path, float]) -> str:
    """Return the document with the numbers of `wanted` in place of its own.

    Raises Refused when a number stands where it cannot be found, with the key to change by hand.
    """
    lines, left = document.split("\n"), dict(wanted)
    current: Path = ()
    for number, line in enumerate(lines):
        table = _TABLE.match(line)
        if table:
            current = tuple(part.strip('"') for part in table[1].split("."))
        elif current[:1] == ("limits",):
            lines[number] = _line(line, current[1:], left)
    text = "\n".join(lines)
    _check(document, text, wanted)
    return text


def _line(line: str, table: Path, left: dict[Path, float]) -> str:
    for path in [p for p in left if p[: len(table)] == table]:
        rest = path[len(table) :]
        if len(rest) == 1:
            pattern = rf"^(\s*{re.escape(rest[0])}\s*=\s*){_NUMBER}"
        elif len(rest) == 2:
            pattern = (
                rf"^(\s*{re.escape(rest[0])}\s*=\s*\{{.*?\b{re.escape(rest[1])}\s*=\s*){_NUMBER}"
            )
        else:
            continue
        changed, hits = re.subn(pattern, rf"\g<1>{_written(left[path])}", line, count=1)
        if hits:
            line = changed
            del left[path]
    return line


def _written(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _check(before: str, after: str, wanted: Mapping[Path, float]) -> None:
    try:
        numbers = limit_numbers(after)
        expected, found = tomllib.loads(before), tomllib.loads(after)
    except tomllib.TOMLDecodeError:
        raise Refused(
            "The document could not be changed here. Ask the lead to change it by hand."
        ) from None
    for path, value in wanted.items():
        if numbers.get(path) != value:
            raise Refused(
                f"{'.'.join(('limits', *path))} could not be changed here. Ask the lead to change the document by hand."
            )
        target = expected["limits"]
        for key in path[:-1]:
            target = target[key]
        target[path[-1]] = value
    if expected != found:
        raise Refused("The document could not be changed here. Ask the lead to change it by hand.")
