"""Draws an order of trials for one volunteer and visit, every allowed order being equally likely.

The next type is drawn with the share of whole orders that begin with it (dynamic programming over what is left,
`studylab.studies.rules.trial_ways`); greedy drawing with repair would favour some orders. Which trials of a type
are followed and where probes stand alone is drawn uniformly too. The same seed gives the same order for good.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from studylab.allocation.rules.drbg import SEED_BYTES, Drbg
from studylab.studies.rules.protocol import TrialOrder, TrialType
from studylab.studies.rules.trial_ways import START, firsts, may_follow, take, ways

VERSION = "trial-order/1"


@dataclass(frozen=True, slots=True)
class Trial:
    """One row of an order. `type_key` and `name` are "" for a probe alone; `number` counts trials, 0 for a probe."""

    place: int
    number: int
    type_key: str
    name: str
    shows: str
    followed: bool

    @property
    def is_probe(self) -> bool:
        """Whether only a probe is given here."""
        return not self.type_key


def seed_of(series: UUID, visit_number: int, order_key: str) -> bytes:
    """Return the seed of one volunteer's order at one visit: no two of them share one."""
    text = f"{VERSION}|{series}|{visit_number}|{order_key}"
    return hashlib.sha512(text.encode()).digest()[:SEED_BYTES]


def draw_order(
    order: TrialOrder, seed: bytes, levels: Mapping[str, tuple[str, tuple[str, ...]]]
) -> list[Trial]:
    """Return the trials and probes of an order. `levels` maps a factor to the volunteer's level and all of them.

    ValueError when no order keeps what the document asks for.
    """
    dice = Drbg(seed, VERSION.encode())
    types = _draw_types(order, dice)
    followed = _draw_followed(order, types, dice)
    gaps = _some(len(types) - 1, order.probes_alone, dice)
    rows: list[Trial] = []
    for number, place in enumerate(types, start=1):
        one = order.types[place]
        shows = shown_level(one, levels)
        rows.append(Trial(len(rows) + 1, number, one.key, one.name, shows, number - 1 in followed))
        if number - 1 in gaps:
            rows.append(Trial(len(rows) + 1, 0, "", "", "", followed=False))
    return rows


def shown_level(one: TrialType, levels: Mapping[str, tuple[str, tuple[str, ...]]]) -> str:
    """Return what a type shows to this volunteer; "" without a factor or before the level is known."""
    mine, every = levels.get(one.factor, ("", ()))
    if not one.other_level or not mine:
        return mine
    return next((level for level in every if level != mine), "")


def _draw_types(order: TrialOrder, dice: Drbg) -> list[int]:
    """Draw the types one by one, each with the share of the orders that go on with it."""
    left = tuple(one.count for one in order.types)
    allowed: Sequence[int] = firsts(order)
    last, run, drawn = START, 0, []
    while any(left):
        shares = [
            (kind, ways(take(left, kind), kind, run + 1 if kind == last else 1, order.longest_run))
            for kind in allowed
            if may_follow(left, kind, last, run, order.longest_run)
        ]
        kind = _weighted(shares, dice)
        left, run, last = take(left, kind), run + 1 if kind == last else 1, kind
        drawn.append(kind)
        allowed = range(len(left))
    return drawn


def _weighted(shares: Sequence[tuple[int, int]], dice: Drbg) -> int:
    total = sum(share for _, share in shares)
    if not total:
        raise ValueError("No order keeps what the document asks for.")
    point = dice.below(total)
    for kind, share in shares:
        if point < share:
            return kind
        point -= share
    raise AssertionError("A point below the total lies in one of the shares.")


def _draw_followed(order: TrialOrder, types: Sequence[int], dice: Drbg) -> set[int]:
    """Return the places of the trials that are followed by the stimulus."""
    found: set[int] = set()
    for kind, one in enumerate(order.types):
        places = [place for place, drawn in enumerate(types) if drawn == kind]
        fixed = 1 if order.first_followed and one.followed else 0
        found.update(places[:fixed])
        chosen = _some(len(places) - fixed, one.followed - fixed, dice)
        found.update(places[fixed + index] for index in chosen)
    return found


def _some(count: int, wanted: int, dice: Drbg) -> set[int]:
    """Draw `wanted` of the numbers 0 to `count` - 1, every choice equally likely."""
    numbers = list(range(count))
    dice.shuffle(numbers)
    return set(numbers[:wanted])
