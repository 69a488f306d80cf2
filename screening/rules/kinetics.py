"""A textbook curve of the level in blood after one oral dose: for teaching, never for a person.

One compartment, first-order uptake and loss:
C(t) = (F*D/V) * ka/(ka-ke) * (exp(-ke*t) - exp(-ka*t)). Hours, litres, milligrams, ng/mL. V stands for V/F and
belongs to the salt dose. Parameter sets are this project's proposals from published values (Ismail 2004; Vestal
1979; label texts); real people differ up to twentyfold (Shand 1976).
"""

import math
from dataclasses import dataclass

DOSE_MG = 40.0
_SAME = 1e-6  # 1/h; closer than this, uptake and loss count as equally fast


@dataclass(frozen=True, slots=True)
class Kinetics:
    """One set of parameters. Raises ValueError unless all are finite and above zero."""

    uptake_per_hour: float  # ka
    loss_per_hour: float  # ke
    volume_l: float  # V/F

    def __post_init__(self) -> None:
        """Refuse parameters that no body has."""
        for value in (self.uptake_per_hour, self.loss_per_hour, self.volume_l):
            if not (math.isfinite(value) and value > 0):
                raise ValueError("Uptake, loss and volume must be numbers above zero.")

    @property
    def flip_flop(self) -> bool:
        """Whether uptake is slower than loss, so that the falling end of the curve shows the uptake."""
        return self.uptake_per_hour < self.loss_per_hour

    @property
    def _equal(self) -> bool:
        return abs(self.uptake_per_hour - self.loss_per_hour) < _SAME


@dataclass(frozen=True, slots=True)
class NamedKinetics:
    """A set of parameters with its name and where it comes from."""

    key: str
    name: str
    source: str
    kinetics: Kinetics


def half_life(hours: float) -> float:
    """Return the loss per hour that belongs to a half-life in hours."""
    return math.log(2) / hours


SETS = (
    NamedKinetics(
        "typical", "Typical", "matches the measured time of the peak and the scaled area",
        Kinetics(1.70, half_life(4.0), 850),
    ),
    NamedKinetics(
        "label", "Label values", "4 L/kg and 25 % reaching the blood, US label (read second-hand)",
        Kinetics(1.70, half_life(4.0), 1120),
    ),
    NamedKinetics(
        "tablet", "Tablet study, scaled", "80 mg study scaled to 40 mg, Ismail 2004 (read)",
        Kinetics(1.90, half_life(3.0), 600),
    ),
    NamedKinetics(
        "high", "High exposure", "with food, or loss slowed by another medicine (proposal)",
        Kinetics(1.70, half_life(4.0), 500),
    ),
    NamedKinetics(
        "slow", "Slow", "slow uptake, half-life at the upper end of the label (proposal)",
        Kinetics(0.60, half_life(6.0), 1000),
    ),
)  # fmt: skip
TYPICAL = SETS[0]


def level(kinetics: Kinetics, hours: float, dose_mg: float = DOSE_MG) -> float:
    """Return the level in ng/mL so many hours after the dose; 0 before and at the dose."""
    if hours <= 0:
        return 0.0
    start = dose_mg * 1000 / kinetics.volume_l  # mg to ng over L to mL
    up, down = kinetics.uptake_per_hour, kinetics.loss_per_hour
    if kinetics._equal:
        rate = (up + down) / 2
        return start * rate * hours * math.exp(-rate * hours)
    found = start * up / (up - down) * (math.exp(-down * hours) - math.exp(-up * hours))
    return max(found, 0.0)


def peak_hours(kinetics: Kinetics) -> float:
    """Return the time of the highest level, in hours."""
    up, down = kinetics.uptake_per_hour, kinetics.loss_per_hour
    if kinetics._equal:
        return 2 / (up + down)
    return math.log(up / down) / (up - down)


def area(kinetics: Kinetics, dose_mg: float = DOSE_MG) -> float:
    """Return the area under the whole curve, ng h/mL."""
    return dose_mg * 1000 / kinetics.volume_l / kinetics.loss_per_hour


def hours_until_share(kinetics: Kinetics, share: float) -> float:
    """Return when the level has fallen to `share` of its peak (0 to 1), in hours after the dose."""
    if not 0 < share < 1:
        raise ValueError("The share must lie between 0 and 1.")
    low = peak_hours(kinetics)
    target = share * level(kinetics, low)
    high = 2 * low + 1
    while level(kinetics, high) > target:
        high *= 2
    for _ in range(80):  # halving until no digit moves
        middle = (low + high) / 2
        low, high = (middle, high) if level(kinetics, middle) > target else (low, middle)
    return (low + high) / 2
