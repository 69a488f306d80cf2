"""One set as it comes in: whole numbers that a living person can show, at instants that have come."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from itertools import zip_longest
from typing import Any
from uuid import UUID

from screening.models import Timing
from screening.models.timing import ENTRIES, TIMED
from screening.rules.taking import BothArms
from screening.rules.vitals import Reading, plausibility
from screening.selectors.measurers import may_measure
from screening.selectors.vitals import MEASURES
from studylab.access import Actor
from studylab.errors import Refused
from studylab.participants.models import Participant

READINGS_MAX = 4
BEFORE = {
    "smoked": "smoked or vaped",
    "caffeine": "had coffee, tea or cola",
    "exercise": "exercised or hurried here",
    "bladder": "has a full bladder",
}
GIRTH_CM = (15, 70)


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading as stored: whole mmHg and beats per minute, and its instant."""

    systolic: int
    diastolic: int
    pulse: int
    at: datetime


def checked_readings(readings: Sequence[Reading], arm: str, now: datetime) -> list[Taken]:
    """Return readings as they are stored. Refuses what cannot be one; `field` is like "reading_2.pulse"."""
    if not 1 <= len(readings) <= READINGS_MAX:
        raise Refused(f"A set has one to {READINGS_MAX} readings.", field="readings")
    if arm not in ("left", "right"):
        raise Refused("Say on which arm the set was taken.", field="arm")
    return [_checked(number, reading, now) for number, reading in enumerate(readings, start=1)]


def _checked(number: int, reading: Reading, now: datetime) -> Taken:
    for problem in plausibility(reading.systolic, reading.diastolic, reading.pulse):
        field = f"reading_{number}.{problem.field}"
        raise Refused(f"Reading {number}: {problem.message}", field=field)
    values = {name: float(getattr(reading, name)) for name in MEASURES}
    for name, value in values.items():
        if not value.is_integer():
            message = (
                f"Reading {number}: {value:g} is not a whole number. Enter what the device shows."
            )
            raise Refused(message, field=f"reading_{number}.{name}")
    field = f"reading_{number}.at"
    if reading.at is None or reading.at.utcoffset() is None:
        raise Refused(f"Reading {number}: enter the time it was taken.", field=field)
    if reading.at > now:
        raise Refused(f"Reading {number}: the time is later than now. Check it.", field=field)
    return Taken(at=reading.at, **{name: int(value) for name, value in values.items()})


@dataclass(frozen=True, slots=True)
class HowTaken:
    """How a set was taken, besides its readings; what is left at its default is not known.

    `rhythm` "regular" or "irregular"; `counted_pulse` in 60 seconds by hand; `entry` "typed" from the display or
    read out from the "device"; `timed` says per reading "clock" (the server's), "hand", or "device" where `shown` has
    what the device's own clock showed; `before` are keys of BEFORE. `measured_by` is the id of who measured, the one who records when None.
    """

    rhythm: str = ""
    counted_pulse: int | None = None
    both_arms: BothArms | None = None
    girth_cm: float | None = None
    before: tuple[str, ...] = ()
    entry: str = "typed"
    measured_by: int | None = None
    rest: Timing | None = None
    timed: tuple[str, ...] = ()
    shown: tuple[time | None, ...] = ()

    @property
    def by_device(self) -> bool:
        """Whether some time was read from the device's own clock."""
        return "device" in self.timed

    def fields(self, actor: Actor) -> dict[str, Any]:
        """Return these as columns of a vital set."""
        arms = self.both_arms
        sides = ("left_systolic", "left_diastolic", "right_systolic", "right_diastolic")
        return {
            "rhythm": self.rhythm,
            "counted_pulse": self.counted_pulse,
            "girth_cm": self.girth_cm,
            "before": sorted(set(self.before)),
            "entry": self.entry,
            "measured_by_id": self.measured_by or actor.user_id,
            "rest": self.rest,
            **{side: None if arms is None else int(getattr(arms, side)) for side in sides},
        }


def checked_how(
    how: HowTaken, participant: Participant, gate: str, visit_uid: UUID | None
) -> HowTaken:
    """Return how a set was taken. Refuses what cannot be, with the field."""
    if how.rhythm not in ("", "regular", "irregular"):
        raise Refused("Say whether the pulse is regular.", field="rhythm")
    if how.entry not in dict(ENTRIES) or not set(how.timed) <= {"", *dict(TIMED)}:
        raise Refused("Say how the readings came here.", field="entry")
    for timed, shown in zip_longest(how.timed, how.shown):
        if (timed == "device") != (shown is not None):
            raise Refused("Enter what the device’s clock showed, or another time.", field="clock")
    if not set(how.before) <= BEFORE.keys():
        raise Refused("One of the things done before is not known here.", field="before")
    if how.counted_pulse is not None and not 30 <= how.counted_pulse <= 220:
        raise Refused(
            f"A pulse of {how.counted_pulse} in 60 seconds is not between 30 and 220. Count again.",
            field="counted_pulse",
        )
    if how.girth_cm is not None and not GIRTH_CM[0] <= how.girth_cm <= GIRTH_CM[1]:
        raise Refused(
            f"The girth of the upper arm must be from {GIRTH_CM[0]} to {GIRTH_CM[1]} cm.",
            field="girth_cm",
        )
    if how.measured_by is not None and not may_measure(participant, how.measured_by):
        raise Refused("This person does not measure in this study.", field="measured_by")
    _check_rest(how.rest, participant, gate, visit_uid)
    _check_arms(how.both_arms)
    return how


def _check_rest(
    rest: Timing | None, participant: Participant, gate: str, visit_uid: UUID | None
) -> None:
    if rest is None:
        return
    belongs = (rest.participant_id, rest.gate, rest.visit_uid) == (participant.pk, gate, visit_uid)
    if not belongs or rest.kind != Timing.Kind.REST:
        raise Refused("This rest was timed for something else. Start the rest again.")


def _check_arms(arms: BothArms | None) -> None:
    if arms is None:
        return
    for side in ("left", "right"):
        systolic = getattr(arms, f"{side}_systolic")
        for problem in plausibility(systolic, getattr(arms, f"{side}_diastolic"), 60):
            raise Refused(
                f"{side.capitalize()} arm: {problem.message}", field=f"{side}_{problem.field}"
            )
