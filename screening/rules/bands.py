"""Where one vital value lies: it passes, a physician decides, or it is outside. Nothing is rounded."""

from dataclasses import dataclass, replace
from typing import Literal

from studylab.studies.rules.protocol import Band, Limits, VitalBands

Place = Literal["pass", "review", "outside"]


@dataclass(frozen=True, slots=True)
class PersonalLimits:
    """Lower pass limits that a physician signed for one person; None leaves the study's limit.

    Pressures in mmHg, pulse in beats per minute. They never reach below the floor of the protocol.
    """

    systolic_from: float | None = None
    diastolic_from: float | None = None
    pulse_from: float | None = None


def judge(band: Band, value: float) -> Place:
    """Return where `value` lies in `band`; lower limits count as inside, upper ones only if the band says so.

    A value that is not a number is outside: it is never a pass.
    """
    if band.pass_from <= value < band.pass_below:
        return "pass"
    if band.upper_included and value == band.pass_below:
        return "pass"
    if band.review_from <= value < band.review_below:
        return "review"
    if band.upper_included and value == band.review_below:
        return "review"
    return "outside"


def personal_bands(
    bands: VitalBands, limits: Limits, personal: PersonalLimits | None
) -> VitalBands:
    """Return `bands` with the person's own lower pass limits, held at the floor of the protocol."""
    if personal is None:
        return bands
    return VitalBands(
        systolic=_lowered(bands.systolic, personal.systolic_from, limits.floor_systolic),
        diastolic=_lowered(bands.diastolic, personal.diastolic_from, limits.floor_diastolic),
        pulse=_lowered(bands.pulse, personal.pulse_from, limits.floor_pulse),
    )


def _lowered(band: Band, own: float | None, floor: float) -> Band:
    if own is None:
        return band
    start = max(own, floor)
    return replace(band, pass_from=start, review_from=min(band.review_from, start))
