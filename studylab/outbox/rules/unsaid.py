"""What a message never says: medicines, what is given and to whom, and anybody's health.

A list of words per language (`words.toml`) and the names of medicines that the caller gives. It catches slips of
whoever writes a wording, and values that carry more than they should. It cannot understand a text: what is said in
other words passes, so a person reads every wording in the preview as well.
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

MEDICINE = "It is the name of a medicine."
SHORTEST_NAME = 4  # letters: shorter names of medicines are everyday letters and syllables too
_WORD = re.compile(r"[^\W_]+")
_ADDRESS = re.compile(r"https?://\S+")


@dataclass(frozen=True, slots=True)
class Unsaid:
    """A word that may not stand in a message, as it stands there, and why."""

    said: str
    why: str

    @property
    def sentence(self) -> str:
        """For a form or a work item."""
        return f"“{self.said}” may not stand in a message. {self.why}"


def unsaid_in(
    text: str, language: str, names: Iterable[str] = (), *, addresses: bool = True
) -> tuple[Unsaid, ...]:
    """Return what `text` says that it may not, each once, in order.

    `names` are names of medicines. Without `addresses`, addresses of pages are passed over: the secret in one is
    random and may spell anything.
    """
    if not addresses:
        text = _ADDRESS.sub(" \u00b7 ", text)
    unsaid = {**_house(language), **_keyed(tuple(names))}
    longest = max((len(words) for words in unsaid), default=0)
    spans = [(found.start(), found.end()) for found in _WORD.finditer(text)]
    words = [_fold(text[start:end]) for start, end in spans]
    found: dict[str, Unsaid] = {}
    for at in range(len(words)):
        for length in range(min(longest, len(words) - at), 0, -1):
            why = unsaid.get(tuple(words[at : at + length]))
            if why is not None:
                said = text[spans[at][0] : spans[at + length - 1][1]]
                found.setdefault(_fold(said), Unsaid(said, why))
                break
    return tuple(found.values())


def languages() -> frozenset[str]:
    """Return the languages that have a list."""
    return frozenset(_lists())


@lru_cache(maxsize=1)
def _lists() -> Mapping[str, list[dict[str, object]]]:
    text = (Path(__file__).parent / "words.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@lru_cache(maxsize=8)
def _house(language: str) -> Mapping[tuple[str, ...], str]:
    return {
        _words(str(word)): str(row["why"])
        for row in _lists()[language]
        for word in row["words"]  # type: ignore[attr-defined]
    }


@lru_cache(maxsize=4)
def _keyed(names: tuple[str, ...]) -> Mapping[tuple[str, ...], str]:
    return {_words(name): MEDICINE for name in names if len(name) >= SHORTEST_NAME and _words(name)}


def _words(text: str) -> tuple[str, ...]:
    return tuple(_fold(found) for found in _WORD.findall(text))


def _fold(word: str) -> str:
    parts = unicodedata.normalize("NFKD", word.replace("œ", "oe").replace("Œ", "oe"))
    return "".join(sign for sign in parts if not unicodedata.combining(sign)).casefold()
