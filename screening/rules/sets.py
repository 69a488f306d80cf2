"""Which of a person's sets of readings decides, and what the others still say.

Nobody is cleared by measuring until it fits: every set that was taken as asked counts. Sets not taken as asked
decide nothing and stay in sight. A set that was corrected counts as corrected.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from screening.rules.bands import Place, judge
from screening.rules.vitals import Undecided, VitalDecision, shown
from studylab.studies.rules.protocol import VitalBands

MEASURES = ("systolic", "diastolic", "pulse")
SetOutcome = Literal["pass", "physician", "repeat", "exclude", "undecided"]
RULES = {
    "screening": "The newest set decides, and every earlier one counts: after a set outside the limits or in the "
    "physician’s band a later set that passes still goes to the physician, and a set outside the limits on a later "
    "day than one that did not pass excludes, whatever is measured afterwards.",
    "pre_dose": "The first set of the visit decides if it passes. If not, it is repeated once after the rest that the "
    "protocol asks for, and the repeat decides; still outside holds. A value outside even the physician’s band rules "
    "out a dose at this visit, whatever is measured afterwards.",
    "post_dose": "Every set counts at once: a pause or an emergency opens a hold, and only a clinician ends it.",
    "leave": "The newest set counts. A miss is repeated every 30 minutes and the physician decides.",
}


@dataclass(frozen=True, slots=True)
class TakenSet:
    """One set that stands: its decision or why there is none, its local day, irregular pulse or arms apart."""

    decision: VitalDecision | Undecided
    day: date
    to_weigh: tuple[str, ...] = ()  # what a physician weighs besides the values


@dataclass(frozen=True, slots=True)
class Ruling:
    """What the sets of one gate come to. `decides` and `also` are places counted from 1."""

    outcome: SetOutcome
    decides: int | None
    also: tuple[int, ...] = ()
    reasons: tuple[str, ...] = ()


def worst_place(decision: VitalDecision, bands: VitalBands) -> Place:
    """Return where the value lies that lies farthest out."""
    places = {judge(getattr(bands, m), getattr(decision, m)) for m in MEASURES}
    if "outside" in places:
        return "outside"
    return "review" if "review" in places else "pass"


def screening_ruling(sets: Sequence[TakenSet], bands: VitalBands) -> Ruling:
    """Return what the standing sets at screening, oldest first, come to."""
    places: dict[int, Place] = {}
    for number, one in enumerate(sets, start=1):
        if isinstance(one.decision, VitalDecision):
            place = worst_place(one.decision, bands)
            places[number] = "review" if place == "pass" and one.to_weigh else place
    off = [number for number, place in places.items() if place != "pass"]
    for number in off:
        first = next((n for n in off if sets[n - 1].day < sets[number - 1].day), None)
        if places[number] == "outside" and first is not None:
            why = (
                f"{_said(number, sets)} is outside the limits; {_said(first, sets)} had not passed."
            )
            return Ruling("exclude", number, _others(places, number), (why,))
    if not sets or len(sets) not in places:
        return Ruling("undecided", None, tuple(places))
    newest, also = len(sets), _others(places, len(sets))
    if places[newest] == "outside":
        return Ruling("repeat", newest, also)
    if places[newest] == "review":
        return Ruling("physician", newest, also)
    if off:
        reasons = tuple(f"{_said(n, sets)} did not pass." for n in off)
        return Ruling("physician", newest, also, reasons)
    return Ruling("pass", newest, also)


def _others(places: dict[int, Place], number: int) -> tuple[int, ...]:
    return tuple(n for n in places if n != number)


def _said(number: int, sets: Sequence[TakenSet]) -> str:
    one = sets[number - 1]
    assert isinstance(one.decision, VitalDecision)
    values = (
        shown(one.decision.systolic),
        shown(one.decision.diastolic),
        shown(one.decision.pulse),
    )
    return f"Set {number} of {one.day:%d %b %Y} ({values[0]}/{values[1]}, pulse {values[2]})"
