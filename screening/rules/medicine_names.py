"""Names of medicines: what is found, what is offered while typing, and what may be a slip of the pen.

A name is found only when it is spelled as in the catalogue, apart from case, accents and spaces. Everything else
gives suggestions for a person to choose from.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

from rapidfuzz import fuzz, process
from rapidfuzz.distance import OSA

from screening.rules.rows import TableError

LONGEST_LOOKED_UP = 120  # characters of a typed name that are compared
LONGEST_READ = 4000  # characters of running text that are read
SUGGEST_FROM = 75.0  # similarity in per cent below which nothing is suggested
SLIP_LETTERS = 2  # letters changed, added, lost or swapped that still look like a slip
SLIP_LENGTH = 5  # letters that a name must have to be taken for another one with a slip

# What stands before a name without being part of it: "an SSRI", "some other beta blocker".
_LEADING = re.compile(
    r"(?:(?:an?|the|some|any|one|another|other|my|(?:kind|sort|type) of|(?:un|une|des|autre))\s+)+"
)
_WORD = re.compile(r"[^\W\d_](?:[\w'-]*\w)?")

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Offer:
    """A name that fits what is being typed. `write` is what stands in the list once it is chosen; `substance` is
    "" when the name is the substance's own. `group` tells a group of medicines from a medicine."""

    name: str
    substance: str
    write: str
    group: bool = False


def fold(text: str) -> str:
    """Return `text` without case, accents, typographic quotes and extra spaces, for comparing names."""
    if text.isascii():
        return " ".join(text.lower().split())
    plain = unicodedata.normalize("NFKD", text.replace("\u2019", "'"))
    kept = "".join(char for char in plain if not unicodedata.combining(char))
    return " ".join(kept.casefold().split())


def key(text: str) -> str:
    """Return what is looked up for a typed name."""
    return fold(text[:LONGEST_LOOKED_UP])


def words_of(text: str) -> list[str]:
    """Return the folded words of running text."""
    return _WORD.findall(fold(text[:LONGEST_READ]))


def bare(folded: str) -> str:
    """Return a folded name without the words that only lead to it: "an ssri" is "ssri"."""
    leading = _LEADING.match(folded)
    return folded[leading.end() :] if leading else folded


@dataclass(frozen=True, slots=True)
class Known(Generic[Row]):
    """A name as written, what it stands for, and the substance's short name when it is that of a product.

    `group` says that it is the name of a group of medicines.
    """

    name: str
    row: Row
    product_of: str
    group: bool = False


class Names(Generic[Row]):
    """Every name of the catalogue by its folded form; a substance's own names come before those of products.

    `known` maps the folded name to what it stands for.

    Raises TableError when a name stands for two medicines.
    """

    def __init__(
        self,
        own: Iterable[tuple[Row, tuple[str, ...]]],
        products: Iterable[tuple[Row, str]],
        groups: Iterable[tuple[Row, tuple[str, ...]]] = (),
    ) -> None:
        self.known: dict[str, Known[Row]] = {}
        short: dict[Row, tuple[str, ...]] = {}
        for row, names in own:
            short[row] = names
            for name in names:
                self._add(Known(name, row, ""))
        for row, names in groups:
            for name in names:
                self._add(Known(name, row, "", group=True))
        for row, name in products:
            salt = any(fold(name).startswith(f"{fold(one)} ") for one in short[row])
            self._add(Known(name, row, "" if salt else _plainest(short[row])))

    def _add(self, known: Known[Row]) -> None:
        if fold(known.name) in self.known:
            raise TableError(f"The name {known.name} stands for two medicines; remove one.")
        self.known[fold(known.name)] = known

    def get(self, text: str) -> Known[Row] | None:
        """Return what a name stands for; never a guess."""
        folded = key(text)
        return self.known.get(folded) or self.known.get(bare(folded))

    def suggest(self, text: str, limit: int) -> tuple[str, ...]:
        """Return up to `limit` names that begin with or look like `text`, best first."""
        folded = bare(key(text))
        if not folded:
            return ()
        starts = (name for name in self.known if name.startswith(folded))
        close = process.extract(
            folded, self.known.keys(), scorer=fuzz.ratio, limit=limit, score_cutoff=SUGGEST_FROM
        )
        best = dict.fromkeys((*starts, *(name for name, _, _ in close)))
        return tuple(self.known[name].name for name in list(best)[:limit])

    def offers(self, text: str, limit: int) -> Iterator[Offer]:
        """Yield the suggestions for `text`, with what each would be written as; a group by one of its names."""
        groups: set[Row] = set()
        for name in self.suggest(text, limit):
            known = self.known[fold(name)]
            if known.group:
                if known.row in groups:
                    continue
                groups.add(known.row)
            shown = name[:1].upper() + name[1:] if known.product_of else name
            written = f"{shown} ({known.product_of})" if known.product_of else name
            if known.group and not fold(name).startswith(bare(key(text))):
                written = f"{text.strip()} ({name})"  # the person's own words stay beside the group
            yield Offer(shown, known.product_of, written, known.group)

    def mentioned(self, text: str) -> tuple[Known[Row], ...]:
        """Return the names that stand in running text as words of their own, short ones left out."""
        words = words_of(text)
        runs = (
            " ".join(words[start : start + length])
            for length in (1, 2, 3)
            for start in range(len(words) - length + 1)
        )
        found = {
            run: self.known[run] for run in runs if len(run) >= SLIP_LENGTH and run in self.known
        }
        return tuple(found.values())

    def slips(self, text: str, limit: int) -> tuple[str, ...]:
        """Return the names that `text` may be with a slip of the pen, the closest first."""
        folded = key(text)
        if len(folded) < SLIP_LENGTH:
            return ()
        near = process.extract(
            folded, self.known.keys(), scorer=OSA.distance, limit=limit, score_cutoff=SLIP_LETTERS
        )
        return tuple(self.known[name].name for name, _, _ in near)


def _plainest(names: tuple[str, ...]) -> str:
    """Return the first name without an addition in parentheses: "timolol", not "timolol (eye drops)"."""
    return next((name for name in names if "(" not in name), names[0])
