"""One set as it comes in: whole numbers that a living person can show, at instants that have come."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from screening.rules.vitals import Reading, plausibility
from screening.selectors.vitals import MEASURES
from studylab.errors import Refused

READINGS_MAX = 4


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
