"""Reading a staff rota from a CSV file: person, day, from, until, and if wanted kind and zone."""

import csv
import io
import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta

from scheduling.rules.elapsed import LocalTimeProblem, load_zone, local_day, parse_local
from scheduling.rules.rota import (
    MOST_LINES,
    Line,
    Problem,
    RotaFile,
    RotaUnreadable,
    check_times,
    decode,
)

NEEDED = ("person", "day", "from", "until")
ALLOWED = (*NEEDED, "kind", "zone")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(Z|[+-]\d{2}:\d{2})?")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet would run (common practice)


class _Wrong(ValueError):
    """A cell that cannot be read, with its column."""

    def __init__(self, column: str, text: str) -> None:
        super().__init__(text)
        self.column, self.text = column, text


def read_csv(data: bytes, zone: str, first: date, last: date) -> RotaFile:
    """Read a CSV file whose times are local times of `zone`, on days from `first` to `last`.

    RotaUnreadable when it is no such file at all; a problem per line otherwise. The delimiter is a comma,
    a semicolon or a tab, as the first line has it.
    """
    rows = _rows(decode(data))
    if not rows:
        raise RotaUnreadable("The file has no words, only separators.")
    header = _header(rows[0][1])
    lines, problems = [], []
    if len(rows) - 1 > MOST_LINES:
        raise RotaUnreadable(
            f"The file has more than {MOST_LINES} lines. Send fewer weeks at a time."
        )
    for number, cells in rows[1:]:
        try:
            lines.append(_line(number, _named(header, cells), zone, first, last))
        except _Wrong as wrong:
            problems.append(Problem(number, wrong.column, wrong.text))
    if len(rows) == 1:
        raise RotaUnreadable(
            "The file has a first line with names of columns and nothing below it."
        )
    return RotaFile(tuple(lines), tuple(problems))


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Return the lines that hold something, each with its number in the file."""
    first = text.lstrip("\r\n").splitlines()[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as problem:
        raise RotaUnreadable(
            f"Line {reader.line_num} is not CSV: {problem}. Look for a quotation mark that is not closed."
        ) from problem


def _header(cells: list[str]) -> list[str]:
    names = [cell.strip().casefold() for cell in cells]
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise RotaUnreadable(
            f"The first line must name the columns {', '.join(NEEDED)}. Missing: {', '.join(missing)}."
        )
    strange = [name for name in names if name and name not in ALLOWED]
    if strange or len(set(names)) < len(names):
        raise RotaUnreadable(
            f"The columns are {', '.join(ALLOWED)}, each once. Take out: {', '.join(strange) or 'the doubled one'}."
        )
    return names


def _named(header: list[str], cells: list[str]) -> dict[str, str]:
    if len([cell for cell in cells[len(header) :] if cell.strip()]):
        raise _Wrong(header[-1], "The line has more cells than the first line has names.")
    row = {name: (cells[i] if i < len(cells) else "") for i, name in enumerate(header)}
    for name, cell in row.items():
        if cell.startswith(_FORMULA) or cell.strip().startswith(_FORMULA):
            raise _Wrong(
                name,
                f"“{cell.strip()[:20]}” begins like a formula. Write the plain value, without that sign.",
            )
    for name in NEEDED:
        if not row[name].strip():
            raise _Wrong(name, "This cell is empty.")
    return {name: cell.strip() for name, cell in row.items()}


def _line(number: int, row: dict[str, str], zone: str, first: date, last: date) -> Line:
    try:
        zone = load_zone(row.get("zone") or zone).key
    except ValueError as problem:
        raise _Wrong("zone", str(problem)) from problem
    try:
        day = date.fromisoformat(row["day"]) if len(row["day"]) == 10 else None
    except ValueError:
        day = None
    if day is None:
        raise _Wrong("day", f"“{row['day']}” is not a day. Write it as 2026-11-26.")
    start, end = (
        _instant("from", day, row["from"], zone),
        _instant("until", day, row["until"], zone),
    )
    if not first <= local_day(start, zone) <= last:
        raise _Wrong(
            "day",
            f"{day} is not among the days that are planned, {first} to {last}. Check the year.",
        )
    wrong = check_times(number, start, end, "until")
    if wrong:
        raise _Wrong(wrong.column, wrong.text)
    return Line(number, row["person"], row.get("kind", ""), start, end)


def _instant(column: str, day: date, text: str, zone: str) -> datetime:
    match = _CLOCK.fullmatch(text)
    if (
        not match
        or int(match[1]) > 24
        or int(match[2]) > 59
        or (int(match[1]) == 24 and int(match[2]))
    ):
        raise _Wrong(
            column,
            f"“{text}” is not a time of day. Write it as 08:30, and midnight at the end as 24:00.",
        )
    late = int(match[1]) == 24
    local = f"{day + timedelta(days=late)}T{0 if late else int(match[1]):02}:{match[2]}"
    try:
        return parse_local(local + (match[3] or ""), zone)
    except LocalTimeProblem as problem:
        if problem.kind == "missing":
            raise _Wrong(column, str(problem)) from problem
        offsets = " or ".join(_with_offset(text, choice.label) for choice in problem.choices)
        raise _Wrong(
            column, f"{text} on {day} happens twice: the clocks go back. Write {offsets}."
        ) from problem


def _with_offset(text: str, label: str) -> str:
    """Return "01:30-03:00" for a choice labelled "01:30 (UTC-03:00), ..."."""
    offset = re.search(r"UTC([+-]\d{2}:\d{2})", label)
    return f"{text}{offset[1]}" if offset else text


def example(today: date, names: Iterator[str]) -> str:
    """Return a small file to begin with, for the days after `today`."""
    rows = [",".join(ALLOWED)]
    for days, name in enumerate(names, start=1):
        cell = f'"{name}"' if "," in name else name
        rows.append(f"{cell},{today + timedelta(days=days)},08:00,16:30,,")
    return "\r\n".join(rows) + "\r\n"
