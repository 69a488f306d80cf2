"""Limits as frozen values: every number of a study that its supervising physician confirms.

Pressures in mmHg, pulse in beats per minute, durations as the name says.
"""

from dataclasses import dataclass, field
from typing import Literal

CheckKind = Literal["standing_test", "pregnancy_test", "breath_alcohol", "last_meal", "ecg"]
EcgAsked = Literal["always", "in_review", "never"]
QtcFormula = Literal["fridericia", "bazett"]


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
    """How a vital set is taken.

    `both_arms_first` asks for one reading on each arm before a person's first set; the higher arm is used
    from then on. A pulse shown below `counted_pulse_below`, or an irregular one, is counted for a minute.
    A whole set is repeated on the dosing day after `repeat_after_seconds` of rest.
    """

    rest_seconds: int = 300
    gap_min_seconds: int = 60
    gap_max_seconds: int = 120
    fourth_if_systolic_differs: float = 10.0
    both_arms_first: bool = True
    arms_differ_physician: float = 20.0  # mmHg systolic; from here on a physician looks
    counted_pulse_below: float = 55.0
    repeat_after_seconds: int = 600


@dataclass(frozen=True, slots=True)
class StandingLimits:
    """The standing test. Falls at or above these fail, as does a standing systolic below `systolic_from`.

    Smaller falls from a chair (`seated_*`) ask for a repeat from lying down. Readings after 1 and 3 minutes
    of standing, each up to `tolerance_seconds` early or late. mmHg.
    """

    rest_seconds: int = 300
    tolerance_seconds: int = 30
    systolic_fall: float = 20.0
    diastolic_fall: float = 10.0
    systolic_from: float = 90.0
    seated_systolic_fall: float = 15.0
    seated_diastolic_fall: float = 7.0


# A PR above this without dropped beats is first-degree AV block (definition from memory), which C-05 gives to the
# physician since labels ask for caution. A study's own limit may lie below it and never above.
FIRST_DEGREE_BLOCK_OVER = 200.0


@dataclass(frozen=True, slots=True)
class EcgLimits:
    """When a 12-lead ECG is asked for, and its intervals in milliseconds; edges pass.

    `asked` "in_review": where a value of the screening set lies in the physician's band.
    """

    asked: EcgAsked = "never"
    pr_from: float = 120.0
    pr_to: float = 200.0
    qtc_to: float = 450.0
    qtc_formula: QtcFormula = "fridericia"

    @property
    def pr_passes_to(self) -> float:
        """Return the longest PR that needs no physician, whatever an older document says."""
        return min(self.pr_to, FIRST_DEGREE_BLOCK_OVER)


@dataclass(frozen=True, slots=True)
class AskedChecks:
    """Which checks besides the readings a gate asks for; a pregnancy test only where it applies."""

    screening: tuple[CheckKind, ...] = ()
    pre_dose: tuple[CheckKind, ...] = ()
    leave: tuple[CheckKind, ...] = ()


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
    standing: StandingLimits = StandingLimits()
    ecg: EcgLimits = EcgLimits()
    checks: AskedChecks = AskedChecks()
    numbers: dict[str, float] = field(default_factory=dict)  # age_min, bmi_max, fasting_hours, ...
