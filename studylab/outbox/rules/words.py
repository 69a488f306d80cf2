"""The words of one message in one language: the house's, a study's own, and whether a translation still holds.

`wordings/<language>.toml` holds the house's words by kind of message. A translation names the English that it
translates by a digest (`of`). Where that English is not what stands today, because the house or the study changed it,
the translation does not count, and the message goes out in English as a whole.
"""

import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from studylab.outbox.rules.short import MOST_PARTS, plain_signs, size
from studylab.outbox.rules.unsaid import unsaid_in
from studylab.outbox.rules.wording import (
    LONGEST_SUBJECT,
    LONGEST_TEXT,
    WordingInvalid,
    WordingProblem,
    fields_of,
    fill,
    literal,
    parse,
)

NATIVE = "en"
FOLDER = Path(__file__).parent / "wordings"
_FILES = {"en": "en.toml", "fr-ca": "fr_CA.toml"}
_NOT_KINDS = ("examples", "sender")
PLACES = {"subject": "Subject", "text": "Text", "short": "Short message"}


@dataclass(frozen=True, slots=True)
class Words:
    """Subject and text of a mail, and the short message ("" where there is none), each with its fields."""

    subject: str
    text: str
    short: str = ""

    @property
    def digest(self) -> str:
        """What a translation names these words by: 16 hexadecimal digits of SHA-256."""
        whole = "\n\f\n".join((self.subject, self.text, self.short))
        return sha256(whole.encode()).hexdigest()[:16]

    def parts(self) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of every part that there is; a mail has its subject and text always."""
        yield from (("subject", self.subject), ("text", self.text))
        if self.short:
            yield "short", self.short


@dataclass(frozen=True, slots=True)
class Needs:
    """The fields without which a message is of no use, in the text of the mail and in the short message."""

    text: tuple[str, ...] = ()
    short: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Translated:
    """Words in another language, and the digest of the English that they translate."""

    words: Words
    of: str


def house_words(kind: str, language: str = NATIVE) -> Translated | None:
    """Return the house's words of a kind of message; None where it has none in a language."""
    row = _file(language).get(kind)
    if row is None:
        return None
    words = Words(row["subject"].strip(), row["text"].strip(), row.get("short", "").strip())
    return Translated(words, row.get("of", words.digest))


def needs_of(kind: str) -> Needs:
    """Return the fields that a kind of message needs."""
    row = _file(NATIVE).get(kind, {})
    return Needs(tuple(row.get("needs", ())), tuple(row.get("short_needs", ())))


def house_kinds() -> tuple[str, ...]:
    """Return the kinds of messages for which the house has words."""
    return tuple(kind for kind in _file(NATIVE) if kind not in _NOT_KINDS)


def house_sender(language: str) -> str:
    """Return the name that messages come from where a study gives none."""
    return _file(language if language in _FILES else NATIVE)["sender"]["name"]


def examples(language: str) -> Mapping[str, str]:
    """Return an invented value for every field, for showing a message about nobody."""
    return _file(language)["examples"]


def problems_of(
    words: Words, fields: Collection[str], needs: Needs, language: str, names: Iterable[str]
) -> list[WordingProblem]:
    """Return everything that keeps these words from being sent, in order; empty when nothing does.

    `fields` are the fields of this kind of message, `names` the names of medicines.
    """
    names, found = tuple(names), []
    for part, text in words.parts():
        found += _too_long(part, text)
        try:
            pieces = parse(text, fields, PLACES[part])
        except WordingInvalid as invalid:
            found += invalid.problems
            continue
        needed = needs.text if part == "text" else needs.short if part == "short" else ()
        found += [
            WordingProblem(
                PLACES[part], f"The field {{{name}}} is missing.", "Without it the message is of no use. Put it in."
            )
            for name in needed
            if name not in fields_of(pieces)
        ]  # fmt: skip
        found += [
            WordingProblem(PLACES[part], one.sentence, "Say it without, or on a page behind a personal link.")
            for one in unsaid_in(literal(pieces), language, names)
        ]  # fmt: skip
        if part == "subject" and "\n" in text:
            found.append(WordingProblem(PLACES[part], "A subject is one line.", "Join the lines."))
    return found


def part_of(field: str) -> str:
    """Return the part of a form that a problem belongs to, by its place."""
    return next((part for part, place in PLACES.items() if field.startswith(place)), "text")


def short_text(words: Words, fields: Collection[str], values: Mapping[str, str]) -> str:
    """Return the short message with its values, in plain signs; "" when there is none or it is too long."""
    if not words.short:
        return ""
    text = " ".join(plain_signs(fill(parse(words.short, fields, "Short message"), values)).split())
    return text if size(text).parts <= MOST_PARTS else ""


def _too_long(part: str, text: str) -> list[WordingProblem]:
    longest = LONGEST_SUBJECT if part == "subject" else LONGEST_TEXT
    if not text.strip():
        return [WordingProblem(PLACES[part], "There is nothing here.", "Write it.")]
    if len(text) > longest:
        message = f"This has {len(text)} characters."
        return [WordingProblem(PLACES[part], message, f"At most {longest} fit. Shorten it.")]
    if part == "short" and size(plain_signs(text)).parts > MOST_PARTS:
        message = f"This has {size(plain_signs(text)).parts} parts before its fields are filled in."
        return [WordingProblem(PLACES[part], message, f"At most {MOST_PARTS} are sent. Shorten it.")]  # fmt: skip
    return []


@lru_cache(maxsize=4)
def _file(language: str) -> Mapping[str, dict]:
    name = _FILES.get(language)
    if name is None:
        return {}
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))
