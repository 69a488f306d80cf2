"""Where the medical rules come from: the sources that stand beside each rule, taken apart and counted. Pure."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

# What stands in place of a source where none outside this project was found.
_OWN = re.compile(
    r"^(inferred|from memory|proposal|condition rule|the |others )|(?<!\()from memory$"
)
_PARTS = re.compile(r";\s+(?![^()]*\))")


@dataclass(frozen=True, slots=True)
class Source:
    """One source in the words of the rules, and how many rules name it."""

    text: str
    rules: int


def sources_of(said: Iterable[str]) -> tuple[list[Source], list[Source]]:
    """Return the named sources and what was proposed, inferred or from memory, each by how many rules say so."""
    counted: Counter[str] = Counter()
    for text in said:
        counted.update({part.strip() for part in _PARTS.split(text) if part.strip()})
    rows = sorted(counted.items(), key=lambda one: (-one[1], one[0].casefold()))
    named = [Source(text, many) for text, many in rows if not _OWN.match(text)]
    return named, [Source(text, many) for text, many in rows if _OWN.match(text)]
