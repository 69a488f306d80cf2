"""The text format of messages: plain words with named fields in braces, and nothing that could be executed.

`{when}` is replaced by the value of the field `when`; `{{` and `}}` stand for braces. Paragraphs are parted by an
empty line. A paragraph that is empty once its fields are filled in is left out, so that a field may hold a sentence
that is only sometimes there. Addresses of pages (https://...) become links in the HTML part. A value is put in as it
is and never read again: braces or markup in it mean nothing.
"""

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from html import escape

LONGEST_SUBJECT = 120  # characters of the written subject; mail programs cut off after about 60
LONGEST_TEXT = 6000
SUBJECT_LINE = 200  # characters of a subject with its fields filled in
_PIECE = re.compile(r"\{\{|\}\}|\{[^{}\n]*\}|[{}]")
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_CONTROL = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]"
)
_GAP = re.compile(r"\n[ \t]*(?:\n[ \t]*)+")
# A full stop, comma or closing bracket after an address belongs to the sentence.
_ADDRESS = re.compile(r"https?://[^\s<>\"']*[^\s<>\"'.,;:!?)\]]")


@dataclass(frozen=True, slots=True)
class WordingProblem:
    """What is wrong where, and what to do: `place` such as "Text, line 3, character 14"."""

    place: str
    message: str
    fix: str

    @property
    def sentence(self) -> str:
        """All of it, for a form."""
        return f"{self.place}: {self.message} {self.fix}"


class WordingInvalid(ValueError):
    """A wording cannot be used. `problems` holds everything that is wrong, in order."""

    def __init__(self, problems: Iterable[WordingProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__(" ".join(problem.sentence for problem in self.problems))


@dataclass(frozen=True, slots=True)
class Field:
    """A place for a value."""

    name: str


Pieces = tuple[str | Field, ...]


def parse(text: str, allowed: Collection[str], place: str) -> Pieces:
    """Return the words and fields of `text`; WordingInvalid with every problem when it cannot be used."""
    pieces: list[str | Field] = []
    problems: list[WordingProblem] = []
    end = 0
    for found in _PIECE.finditer(text):
        pieces.append(text[end : found.start()])
        end = found.end()
        inside = found[0]
        if inside in ("{{", "}}"):
            pieces.append(inside[0])
        elif len(inside) > 1 and inside[1:-1].strip() in allowed:
            pieces.append(Field(inside[1:-1].strip()))
        else:
            problems.append(WordingProblem(_at(place, text, found.start()), *_wrong(inside, allowed)))  # fmt: skip
    pieces.append(text[end:])
    problems.extend(_odd_characters(text, place))
    if problems:
        raise WordingInvalid(problems)
    return tuple(piece for piece in pieces if piece != "")


def fields_of(pieces: Pieces) -> frozenset[str]:
    """Return the names of the fields that a text uses."""
    return frozenset(piece.name for piece in pieces if isinstance(piece, Field))


def literal(pieces: Pieces) -> str:
    """Return the words between the fields, for checks of what somebody wrote."""
    return "".join(piece if isinstance(piece, str) else " \u00b7 " for piece in pieces)


def fill(pieces: Pieces, values: Mapping[str, str]) -> str:
    """Return the text with the values in it; KeyError naming a field without a value."""
    return "".join(piece if isinstance(piece, str) else values[piece.name] for piece in pieces)


def subject_line(pieces: Pieces, values: Mapping[str, str]) -> str:
    """Return the subject as one line: no line break or control character can begin a header of its own."""
    line = " ".join(_without_control(fill(pieces, values)).split())
    return line if len(line) <= SUBJECT_LINE else f"{line[: SUBJECT_LINE - 1].rstrip()}…"


def plain(pieces: Pieces, values: Mapping[str, str]) -> str:
    """Return the plain part: paragraphs parted by one empty line, a line break at the end."""
    return "\n\n".join(_paragraphs(pieces, values)) + "\n"


def html(pieces: Pieces, values: Mapping[str, str], *, language: str, title: str) -> str:
    """Return the HTML part of the same words: paragraphs, line breaks and links, everything else escaped."""
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(language)}">\n<head><meta charset="utf-8">'
        f"<title>{escape(title)}</title></head>\n"
        '<body style="font-family: sans-serif; font-size: 16px; line-height: 1.5">\n'
        f"{html_body(pieces, values)}\n</body>\n</html>\n"
    )


def html_body(pieces: Pieces, values: Mapping[str, str]) -> str:
    """Return what stands in the body of the HTML part."""
    return "\n".join(f"<p>{_marked_up(one)}</p>" for one in _paragraphs(pieces, values))


def _paragraphs(pieces: Pieces, values: Mapping[str, str]) -> list[str]:
    text = _without_control(fill(pieces, values).replace("\r\n", "\n").replace("\r", "\n"))
    blocks = ("\n".join(line.rstrip() for line in one.split("\n")) for one in _GAP.split(text))
    return [block.strip("\n") for block in blocks if block.strip()]


def _marked_up(text: str) -> str:
    parts, end = [], 0
    for found in _ADDRESS.finditer(text):
        address = escape(found[0])
        parts += [escape(text[end : found.start()]), f'<a href="{address}">{address}</a>']
        end = found.end()
    return "".join([*parts, escape(text[end:])]).replace("\n", "<br>\n")


def _without_control(text: str) -> str:
    return _CONTROL.sub("", text)


def _at(place: str, text: str, offset: int) -> str:
    line = text.count("\n", 0, offset) + 1
    column = offset - text.rfind("\n", 0, offset)
    where = f"line {line}, " if "\n" in text else ""
    return f"{place}, {where}character {column}"


def _odd_characters(text: str, place: str) -> list[WordingProblem]:
    return [
        WordingProblem(_at(place, text, found.start()), "Here is a character that cannot be seen.",
                       "Type the words again instead of pasting them.")
        for found in _CONTROL.finditer(text)
    ]  # fmt: skip


def _wrong(piece: str, allowed: Collection[str]) -> tuple[str, str]:
    """Return what is wrong with something in braces, and the fix."""
    if piece == "{":
        return "A brace is opened and not closed on this line.", "Write the field as {name}, or {{ for a brace."  # fmt: skip
    if piece == "}":
        return "A brace is closed that was not opened.", "Write the field as {name}, or }} for a brace."  # fmt: skip
    name = piece[1:-1].strip()
    known = ", ".join(f"{{{one}}}" for one in allowed)
    if not name:
        return "There is no name in the braces.", f"Fields here: {known}."
    if not _NAME.fullmatch(name):
        return f"{piece} is not the name of a field.", f"Between braces stands a name and nothing else. Fields here: {known}."  # fmt: skip
    near = get_close_matches(name, list(allowed), n=1)
    fix = f"Did you mean {{{near[0]}}}?" if near else f"Fields here: {known}."
    return f"There is no field {piece} in this message.", fix
