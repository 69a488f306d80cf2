"""What goes into the sealed box of a list, and how a box is compared with what was sealed."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from string import ascii_uppercase

from studylab.allocation.rules.blocks import (
    GENERATOR_VERSION,
    ONE_STRATUM,
    ListRow,
    permuted_blocks,
)
from studylab.allocation.rules.drbg import DRBG_VERSION
from studylab.allocation.rules.sealing import SealDamaged, commitment
from studylab.studies.rules.protocol import AllocationPlan

METHOD = f"{GENERATOR_VERSION} {DRBG_VERSION}"  # part of the commitment
_BYTES_FIXED, _BYTES_PER_ROW = 1024, 192


@dataclass(frozen=True, slots=True)
class OpenedList:
    """A list in the clear. Its repr shows nothing of it, so that no log or error page can."""

    seed: bytes = field(repr=False)
    nonce: bytes = field(repr=False)
    rows: tuple[ListRow, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class EntrySeen:
    """One number as it stands in the tables, with its arm in the clear; None when its box does not open."""

    number: str
    stratum: str
    position: int
    open_levels: tuple[tuple[str, str], ...]
    issued: bool
    arm: str | None = field(repr=False)


def numbers_for(rows: Iterable[ListRow]) -> tuple[str, ...]:
    """Return the number of each row: "017", with strata "B-017", the letter standing for the stratum."""
    rows = tuple(rows)
    strata = list(dict.fromkeys(row.stratum for row in rows))
    width = max(3, len(str(max((row.position for row in rows), default=0))))
    marks = {
        stratum: "" if stratum == ONE_STRATUM else f"{_letters(place)}-"
        for place, stratum in enumerate(strata)
    }
    return tuple(f"{marks[row.stratum]}{row.position:0{width}d}" for row in rows)


def _letters(place: int) -> str:
    more, last = divmod(place, len(ascii_uppercase))
    return (_letters(more - 1) if more else "") + ascii_uppercase[last]


def pack(opened: OpenedList) -> bytes:
    """Return the box's content. Its length depends on the number of rows only, never on the arms."""
    rows = [[r.stratum, r.position, r.arm, r.open_levels, r.block] for r in opened.rows]
    document = {"seed": opened.seed.hex(), "nonce": opened.nonce.hex(), "rows": rows}
    text = json.dumps(document, sort_keys=True, separators=(",", ":")).encode("ascii")
    room = _BYTES_FIXED + _BYTES_PER_ROW * len(rows)
    return text.ljust(-(-len(text) // room) * room)


def unpack(content: bytes) -> OpenedList:
    """Return what `pack` took; SealDamaged when the content is something else."""
    try:
        document = json.loads(content)
        rows = tuple(
            ListRow(stratum, position, arm, tuple((key, level) for key, level in levels), block)
            for stratum, position, arm, levels, block in document["rows"]
        )
        return OpenedList(bytes.fromhex(document["seed"]), bytes.fromhex(document["nonce"]), rows)
    except (KeyError, TypeError, ValueError):
        raise SealDamaged("The opened value is not a list.") from None


def differences(
    *,
    opened: OpenedList,
    plan: AllocationPlan,
    published: str,
    method: str,
    entries: Sequence[EntrySeen],
) -> list[str]:
    """Return every way in which the sealed list, the generator, the published commitment and the numbers differ.

    Sentences name numbers and places, never an arm. Empty when all agree.
    """
    found = []
    if method != METHOD:
        found.append(f"The list was made by {method}; this program makes lists by {METHOD}.")
    elif permuted_blocks(plan=plan, seed=opened.seed) != opened.rows:
        found.append("The generator makes another list from the sealed seed.")
    if commitment(opened.rows, opened.nonce, method) != published:
        found.append("The published commitment is not that of the sealed list.")
    return found + _entry_differences(opened.rows, entries)


def _entry_differences(rows: Sequence[ListRow], entries: Sequence[EntrySeen]) -> list[str]:
    found = []
    by_number = {entry.number: entry for entry in entries}
    gaps: set[str] = set()
    for number, row in zip(numbers_for(rows), rows, strict=True):
        entry = by_number.pop(number, None)
        if entry is None:
            found.append(f"Number {number} of the sealed list is missing.")
            continue
        if (entry.stratum, entry.position) != (row.stratum, row.position):
            found.append(f"Number {number} stands at another place than on the sealed list.")
        if dict(entry.open_levels) != dict(row.open_levels):
            found.append(f"Number {number} has other open levels than on the sealed list.")
        if entry.arm is None:
            found.append(
                f"Number {number}: its sealed value is damaged or belongs to another place."
            )
        elif entry.arm != row.arm:
            found.append(f"Number {number} is sealed differently from the list.")
        if not entry.issued:
            gaps.add(entry.stratum)
        elif entry.stratum in gaps:
            found.append(f"Number {number} was issued before an earlier number of its stratum.")
    return found + [f"Number {number} is not on the sealed list." for number in by_number]
