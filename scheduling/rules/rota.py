"""A staff rota as a file brings it: lines, what is wrong with them, and the shifts they stand for.

A file is read whole before anything is written. Every problem names its line and its column and says what to
do; while there is one, nothing of the file counts.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

LONGEST_FILE = 512 * 1024  # bytes
MOST_LINES = 2000
LONGEST_SHIFT = timedelta(hours=24)
DAYS_BACK, DAYS_AHEAD = 7, 400  # the days that are planned, counted from today


class RotaUnreadable(ValueError):
    """The file as a whole cannot be read; the message says why and what helps."""


@dataclass(frozen=True, slots=True)
class Line:
    """One shift as the file gives it. `number` is the line of a CSV file or the number of an event."""

    number: int
    person: str
    kind: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """What is wrong in one line: its number, the column or property, and the fix."""

    line: int
    column: str
    text: str


@dataclass(frozen=True, slots=True)
class RotaFile:
    """Everything a file says. `left_out` counts what lies outside the days that are planned."""

    lines: tuple[Line, ...]
    problems: tuple[Problem, ...]
    left_out: int = 0


@dataclass(frozen=True, slots=True)
class Known:
    """Somebody, or something, that can have shifts. `names` are compared without regard to case."""

    resource_id: int
    kind: str
    name: str
    names: frozenset[str]


@dataclass(frozen=True, slots=True)
class Shift:
    """A time of one resource; `line` is where it comes from, 0 when it stands already."""

    resource_id: int
    name: str
    start: datetime
    end: datetime
    line: int = 0

    @property
    def what(self) -> tuple[int, datetime, datetime]:
        """What makes two shifts the same one."""
        return self.resource_id, self.start, self.end


@dataclass(frozen=True, slots=True)
class RotaPlan:
    """What taking a file over would do: shifts to add, ones that stand already, ones it takes away."""

    new: tuple[Shift, ...]
    same: tuple[Shift, ...]
    gone: tuple[Shift, ...]
    problems: tuple[Problem, ...]
    left_out: int = 0


def decode(data: bytes) -> str:
    """Return the text of a file; RotaUnreadable when it is empty, too large, not text, or not UTF-8."""
    if len(data) > LONGEST_FILE:
        raise RotaUnreadable(
            f"The file is larger than {LONGEST_FILE // 1024} kB. Send fewer weeks at a time."
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        raise RotaUnreadable(
            f"The file is not text in UTF-8 (line {line}). Save it as “CSV UTF-8” and send it again."
        ) from problem
    if "\x00" in text:
        raise RotaUnreadable(
            "The file is not text. Save the sheet as “CSV UTF-8”, not as a workbook."
        )
    if not text.strip():
        raise RotaUnreadable("The file is empty.")
    return text


def check_times(number: int, start: datetime, end: datetime, column: str) -> Problem | None:
    """Say what is wrong with the two ends of a shift, at its end's column."""
    if end <= start:
        return Problem(
            number, column,
            "The end is not later than the start. A shift over midnight is two lines: until 24:00, and from 00:00.",
        )  # fmt: skip
    if end - start > LONGEST_SHIFT:
        return Problem(number, column, "The shift is longer than 24 hours. Split it by days.")
    return None


def horizon(today: date) -> tuple[date, date]:
    """Return the first and the last day for which a rota is taken."""
    return today - timedelta(days=DAYS_BACK), today + timedelta(days=DAYS_AHEAD)


def plan_rota(
    file: RotaFile, known: Sequence[Known], standing: Sequence[Shift], *, replace: bool
) -> RotaPlan:
    """Return what a file would do to the shifts that stand.

    A line names somebody by the name of the resource, by their own name or by their e-mail address, and means
    everything bookable of theirs, or only what is of its `kind`. With `replace`, the file is the whole rota of
    whom it names, from its first to its last shift: what stands there and is not in it goes.
    """
    shifts, problems = [], list(file.problems)
    for line in file.lines:
        found = _who(line, known)
        if isinstance(found, Problem):
            problems.append(found)
        else:
            shifts += [
                Shift(row.resource_id, row.name, line.start, line.end, line.number) for row in found
            ]
    problems += _clashes(shifts)
    old = {row.what: row for row in standing}
    gone = tuple(_replaced(shifts, standing)) if replace else ()
    stays = [row for row in standing if row not in gone]
    new = [row for row in shifts if row.what not in old]
    problems += _clashes(new, stays)
    same = tuple(row for row in shifts if row.what in old)
    return RotaPlan(tuple(new), same, gone, tuple(sorted(set(problems))), file.left_out)


def _who(line: Line, known: Sequence[Known]) -> list[Known] | Problem:
    wanted = line.person.strip().casefold()
    found = [row for row in known if wanted in row.names]
    if not found:
        return Problem(
            line.number, "person",
            f"“{line.person}” is nobody in use here. Write a name as it stands on the page of rooms and people, "
            "or an e-mail address.",
        )  # fmt: skip
    of_kind = [row for row in found if not line.kind or row.kind == line.kind.strip().casefold()]
    if not of_kind:
        kinds = ", ".join(sorted({row.kind for row in found}))
        return Problem(
            line.number, "kind", f"“{line.person}” is there as {kinds}, not as “{line.kind}”."
        )
    return of_kind


def _replaced(shifts: Sequence[Shift], standing: Iterable[Shift]) -> list[Shift]:
    if not shifts:
        return []
    named, here = {row.resource_id for row in shifts}, {row.what for row in shifts}
    first, last = min(row.start for row in shifts), max(row.end for row in shifts)
    return [
        row for row in standing
        if row.resource_id in named and row.what not in here and row.start < last and row.end > first
    ]  # fmt: skip


def _clashes(shifts: Sequence[Shift], others: Sequence[Shift] | None = None) -> list[Problem]:
    """Name shifts that overlap one of `others`, or an earlier one of their own file."""
    problems, by_resource = [], dict[int, list[Shift]]()
    for row in others or ():
        by_resource.setdefault(row.resource_id, []).append(row)
    for row in sorted(shifts, key=lambda one: (one.line, one.start)):
        rows = by_resource.setdefault(row.resource_id, [])
        hit = next((one for one in rows if one.start < row.end and row.start < one.end), None)
        if hit:
            against = f"line {hit.line}" if hit.line else "a shift that stands already"
            problems.append(
                Problem(
                    row.line, "from",
                    f"Overlaps {against} of {row.name}. Change the times, take one of the two away, or let the "
                    "file replace what stands.",
                )
            )  # fmt: skip
        if others is None:
            rows.append(row)
    return problems
