"""Times read from a pressure device's own clock: by which comparison they count, or that they are uncertain."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from screening.rules.monitor_clock import Comparison, moment_of
from screening.selectors.monitors import comparison_for
from screening.services.readings import HowTaken, Taken
from studylab import clock
from studylab.errors import Refused
from studylab.participants.models import Participant


@dataclass(frozen=True, slots=True)
class DeviceTiming:
    """Which comparison the times of a set rest on; `uncertain` when they need one and there is none."""

    clock: int | None
    uncertain: bool


def device_timing(
    participant: Participant, device: str, how: HowTaken, taken: Sequence[Taken]
) -> DeviceTiming:
    """Return what the times of a set rest on. Refuses a time that is not the device's put right."""
    if not how.by_device:
        return DeviceTiming(None, uncertain=False)
    zone = participant.study.zone
    compared = _compared(participant, device, taken[0].at)
    if compared is None:
        return DeviceTiming(None, uncertain=True)
    for number, (one, shown) in enumerate(zip(taken, how.shown, strict=False), start=1):
        if shown is None:
            continue
        day = one.at.astimezone(zone).date()
        put_right = moment_of(shown, compared, on=day, zone=zone, after=None, now=clock.now())
        if put_right is None or abs(put_right - one.at) > timedelta(seconds=1):
            raise Refused(
                f"Reading {number}: the device’s clock was compared again meanwhile. Save the set once more.",
                field=f"reading_{number}.at",
            )
    return DeviceTiming(compared.key, uncertain=False)


def is_uncertain(participant: Participant, values: Mapping[str, Any]) -> bool:
    """Whether the times of a set that is about to be recorded are those of a clock that nobody compared."""
    how = values.get("how")
    if how is None or not how.by_device:
        return False
    return _compared(participant, values["device"], values["readings"][0].at) is None


def _compared(participant: Participant, device: str, at: datetime) -> Comparison | None:
    """Return the comparison by which the times of a set that began at `at` count."""
    study = participant.study
    return comparison_for(study, device, at.astimezone(study.zone).date())
