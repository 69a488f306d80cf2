"""What somebody who answers for a volunteer has to know at once: the last values, from the newest on."""

from dataclasses import dataclass
from datetime import datetime

from scheduling.selectors.sheet import Sheet


@dataclass(frozen=True, slots=True)
class LastValue:
    """One measurement in words, for example "112/72 mmHg, pulse 60"."""

    words: str
    at: datetime


def last_values(sheet: Sheet, most: int = 4) -> list[LastValue]:
    """Return the newest readings and pulses of a visit; a set that is not whole yet is left out."""
    found = [
        LastValue(
            f"{one.systolic:.0f}/{one.diastolic:.0f} mmHg, pulse {one.pulse:.0f}", one.taken_at
        )
        for one in sheet.evidence.vitals.values()
        if one.systolic is not None and one.diastolic is not None and one.pulse is not None
    ]
    found += [
        LastValue(f"pulse {row.words}", row.record.occurred_at)
        for row in sheet.steps
        if row.record and row.done and row.step.kind == "number" and row.step.unit == "per minute"
    ]
    return sorted(found, key=lambda one: one.at, reverse=True)[:most]
