"""Limits as frozen values: every number of a study that its supervising physician confirms.

Pressures in mmHg, pulse in beats per minute, durations as the name says.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Band:
    """Where one vital value passes and where a physician decides.

    Bands are half-open: lower limit included, upper limit excluded. `upper_included` includes both
    upper limits (`pass_below` and `review_below`).
    Inside [pass_from, pass_below) it passes, else inside [review_from, review_below) a physician
    decides, else it is outside.
    """

    pass_from: float
    pass_below: float
    review_from: float
    review_below: float
    upper_included: bool = False


@dataclass(frozen=True, slots=True)
class VitalBands:
    """Bands of one gate (screening, pre-dose)."""

    systolic: Band
    diastolic: Band
    pulse: Band


@dataclass(frozen=True, slots=True)
class PostDoseLimits:
    """Post-dose check: at or above `*_pass_from` passes, at or above `*_pause_from` pauses, below stops."""

    pulse_pass_from: float
    pulse_pause_from: float
    systolic_pass_from: float
    systolic_pause_from: float
    diastolic_pass_from: float
    systolic_fall: float  # a larger fall from the pre-dose value pauses
    pulse_fall: float


@dataclass(frozen=True, slots=True)
class LeaveLimits:
    """Fit to leave: values, and the earliest and latest minutes after the dose."""

    pulse_from: float
    systolic_from: float
    systolic_within_of_screening: float
    earliest_minutes: int
    not_fit_after_minutes: int


@dataclass(frozen=True, slots=True)
class Measuring:
    """How a vital set is taken."""

    rest_seconds: int = 300
    gap_min_seconds: int = 60
    gap_max_seconds: int = 120
    fourth_if_systolic_differs: float = 10.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Every number a physician confirms."""

    screening: VitalBands
    pre_dose: VitalBands
    post_dose: PostDoseLimits
    leave: LeaveLimits
    measuring: Measuring
    floor_pulse: float  # no personal limit goes below these
    floor_systolic: float
    floor_diastolic: float
    pre_dose_valid_minutes: int  # how old a pre-dose set may be at the dose
    sign_off_valid_days: int
    numbers: dict[str, float] = field(default_factory=dict)  # age_min, bmi_max, fasting_hours, ...
