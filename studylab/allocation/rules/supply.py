"""Are there kits enough for the visits to come? Worked out as kits would really be taken: earliest date first."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class Need:
    """One dose to come. `arm` is None while the volunteer has no number: then any arm may be needed."""

    day: date
    arm: str | None = field(repr=False)


@dataclass(frozen=True, slots=True)
class Shelf:
    """Kits of one arm that may be taken until a day, this day included."""

    arm: str = field(repr=False)
    usable_until: date
    kits: int


@dataclass(frozen=True, slots=True)
class Short:
    """Kits of one arm that will be missing, and the first day on which one is."""

    arm: str
    missing: int
    first_day: date


def shortages(
    needs: Iterable[Need], shelves: Iterable[Shelf], arms: Sequence[str]
) -> tuple[Short, ...]:
    """Return what is short, by arm in the order of `arms`. A need without an arm is held ready in every arm."""
    needs, shelves = sorted(needs, key=lambda need: need.day), list(shelves)
    return tuple(short for arm in arms if (short := _of_arm(arm, needs, shelves)) is not None)


def _of_arm(arm: str, needs: Iterable[Need], shelves: Iterable[Shelf]) -> Short | None:
    mine = sorted((s for s in shelves if s.arm == arm), key=lambda shelf: shelf.usable_until)
    left = [shelf.kits for shelf in mine]
    missed = []
    for need in needs:
        if need.arm not in (arm, None):
            continue
        places = range(len(mine))
        place = next((n for n in places if left[n] and mine[n].usable_until >= need.day), None)
        if place is None:
            missed.append(need.day)
        else:
            left[place] -= 1
    return Short(arm, len(missed), missed[0]) if missed else None
