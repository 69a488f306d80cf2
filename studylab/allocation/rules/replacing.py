"""Who is replaced: how many of a study's places are taken, by the protocol's rule."""

from collections.abc import Iterable
from dataclasses import dataclass

RULES = {
    "never": "nobody is replaced",
    "before_dose": "somebody who left before the dose is replaced, and nobody else",
    "always": "everybody who left is replaced",
}


@dataclass(frozen=True, slots=True)
class Holder:
    """Somebody with a number: whether they left before the end, and whether they were dosed."""

    left: bool
    dosed: bool


def places_taken(holders: Iterable[Holder], rule: str) -> int:
    """Return how many places are taken; KeyError for a rule that is none of `RULES`."""
    if rule not in RULES:
        raise KeyError(rule)
    return sum(not _freed(holder, rule) for holder in holders)


def _freed(holder: Holder, rule: str) -> bool:
    return holder.left and (rule == "always" or (rule == "before_dose" and not holder.dosed))
