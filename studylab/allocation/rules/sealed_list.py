"""What goes into the sealed box of a list, and how a box is compared with what was sealed."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field
from string import ascii_uppercase
from typing import Any

from studylab.allocation.rules.design import (
    ListDesign,
    as_data,
    design_of,
    followed_list,
    made_list,
    places_of,
)
from studylab.allocation.rules.places import ONE_STRATUM, ListRow, PlanUnusable
from studylab.allocation.rules.sealing import SealDamaged
from studylab.studies.rules.protocol import AllocationPlan, Arm, OpenFactor

COMMITMENT_NONCE_BYTES = 32
_BYTES_FIXED, _BYTES_PER_ROW = 2048, 192


@dataclass(frozen=True, slots=True)
class OpenedList:
    """A list in the clear. Its repr shows nothing of it, so that no log or error page can."""

    design: ListDesign = field(repr=False)
    seed: bytes = field(repr=False)
    nonce: bytes = field(repr=False)
    rows: tuple[ListRow, ...] = field(repr=False)  # none with minimisation: they follow when issued


@dataclass(frozen=True, slots=True)
class EntrySeen:
    """One number as it stands in the tables, with its arm in the clear; None when its box does not open.

    `arm` is "" for a number of a minimised list that was not issued yet.
    """

    number: str
    stratum: str
    position: int
    open_levels: tuple[tuple[str, str], ...]
    issued: bool
    arm: str | None = field(repr=False)
    factor_levels: tuple[tuple[str, str], ...] = ()


def numbers_for(places: Iterable[tuple[str, int]]) -> tuple[str, ...]:
    """Return the number of each (stratum, position): "017", with strata "B-017", a letter for the stratum."""
    places = tuple(places)
    strata = list(dict.fromkeys(stratum for stratum, _ in places))
    width = max(3, len(str(max((position for _, position in places), default=0))))
    marks = {
        stratum: "" if stratum == ONE_STRATUM else f"{_letters(place)}-"
        for place, stratum in enumerate(strata)
    }
    return tuple(f"{marks[stratum]}{position:0{width}d}" for stratum, position in places)


def _letters(place: int) -> str:
    more, last = divmod(place, len(ascii_uppercase))
    return (_letters(more - 1) if more else "") + ascii_uppercase[last]


def _rows_data(rows: Iterable[ListRow]) -> list[list[Any]]:
    return [[r.stratum, r.position, r.arm, [list(p) for p in r.open_levels], r.block] for r in rows]


def _text(document: dict[str, Any]) -> bytes:
    return json.dumps(document, sort_keys=True, separators=(",", ":")).encode("ascii")


def pack(opened: OpenedList) -> bytes:
    """Return the box's content. Its length depends on the number of rows only, never on the arms."""
    text = _text(
        {
            "design": as_data(opened.design),
            "seed": opened.seed.hex(),
            "nonce": opened.nonce.hex(),
            "rows": _rows_data(opened.rows),
        }
    )
    room = _BYTES_FIXED + _BYTES_PER_ROW * len(opened.rows)
    return text.ljust(-(-len(text) // room) * room)


def unpack(content: bytes) -> OpenedList:
    """Return what `pack` took; SealDamaged when the content is something else."""
    try:
        return _opened(json.loads(content))
    except (KeyError, TypeError, ValueError):
        raise SealDamaged("The opened value is not a list.") from None


def _opened(document: dict[str, Any]) -> OpenedList:
    rows = tuple(
        ListRow(stratum, position, arm, tuple((key, level) for key, level in levels), block)
        for stratum, position, arm, levels, block in document["rows"]
    )
    seed, nonce = bytes.fromhex(document["seed"]), bytes.fromhex(document["nonce"])
    return OpenedList(design_of(document["design"]), seed, nonce, rows)


def canonical(opened: OpenedList, plan: AllocationPlan) -> bytes:
    """Return the bytes that the commitment is made of: JSON, ASCII only, sorted keys, no spaces.

    Published as they are when the list is opened, they are the list file: its SHA-256 is the commitment, and
    everything that makes the list again is in it. Rows are [stratum, position, arm, [[factor, level], ...],
    block] in list order; a minimised list has none, since its arms follow from seed and people.
    """
    return _text(
        {
            "generator": opened.design.name,
            "design": as_data(opened.design),
            "plan": _plan_data(plan),
            "seed": opened.seed.hex(),
            "nonce": opened.nonce.hex(),
            "rows": _rows_data(opened.rows),
        }
    )


def _plan_data(plan: AllocationPlan) -> dict[str, Any]:
    data = asdict(plan)
    data.pop("block_sizes")
    # Order counts: it names strata and numbers.
    data["strata"] = [[name, list(levels)] for name, levels in plan.strata.items()]
    return data


def commitment(opened: OpenedList, plan: AllocationPlan) -> str:
    """Return the SHA-256 (hex) of `canonical`, published when it is sealed and checked when it is opened.

    The secret random nonce keeps anyone from trying out lists against the published value.
    """
    if len(opened.nonce) < COMMITMENT_NONCE_BYTES:
        raise ValueError(
            f"The nonce has {len(opened.nonce)} bytes; {COMMITMENT_NONCE_BYTES} are needed."
        )
    return hashlib.sha256(canonical(opened, plan)).hexdigest()


def read_file(content: bytes) -> tuple[OpenedList, AllocationPlan, str]:
    """Return list, plan and generator name of a list file; SealDamaged when it is none."""
    try:
        document = json.loads(content)
        data = dict(document["plan"])
        arms = tuple(Arm(**arm) for arm in data.pop("arms"))
        factors = tuple(
            OpenFactor(f["key"], f["name"], tuple(f["levels"])) for f in data.pop("open_factors")
        )
        strata = {name: tuple(levels) for name, levels in data.pop("strata")}
        plan = AllocationPlan(arms=arms, open_factors=factors, strata=strata, **data)
        return _opened(document), plan, str(document["generator"])
    except (KeyError, TypeError, ValueError):
        raise SealDamaged("This is not a list file.") from None


def remade(opened: OpenedList, plan: AllocationPlan, method: str) -> list[str]:
    """Return how the rows differ from what the generator makes of the seed; empty when they agree."""
    if method != opened.design.name:
        return [
            f"The list was made by {method}; this program makes such lists by {opened.design.name}."
        ]
    try:
        again = made_list(plan=plan, design=opened.design, seed=opened.seed)
    except PlanUnusable as problem:
        return [f"No list can be made from plan and design: {problem}"]
    return (
        [] if again == opened.rows else ["The generator makes another list from the sealed seed."]
    )


def all_rows(
    opened: OpenedList, plan: AllocationPlan, entries: Sequence[EntrySeen]
) -> tuple[ListRow, ...]:
    """Return the row of every number: as sealed, or as minimisation works out for those who were met."""
    if opened.design.in_advance:
        return opened.rows
    met = sorted((e for e in entries if e.issued), key=lambda e: e.position)
    people = tuple(dict(entry.factor_levels) for entry in met)
    known = [p for p in people if all(p.get(n) in levels for n, levels in plan.strata.items())]
    rows = {
        row.position: row
        for row in followed_list(
            plan=plan, design=opened.design, seed=opened.seed, people=tuple(known)
        )
    }
    return tuple(
        rows.get(position, ListRow(stratum, position, "", (), 0))
        for stratum, position in places_of(plan, opened.design)
    )


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
    found = remade(opened, plan, method)
    if commitment(opened, plan) != published:
        found.append("The published commitment is not that of the sealed list.")
    return found + _entry_differences(all_rows(opened, plan, entries), entries)


def _entry_differences(rows: Sequence[ListRow], entries: Sequence[EntrySeen]) -> list[str]:
    found = []
    by_number = {entry.number: entry for entry in entries}
    gaps: set[str] = set()
    numbers = numbers_for((row.stratum, row.position) for row in rows)
    for number, row in zip(numbers, rows, strict=True):
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
