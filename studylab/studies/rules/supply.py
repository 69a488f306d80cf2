"""What one dose is and how its stock is kept; when people are asked after it."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Supply:
    """What one dose is. `way` is "stock", a kit matched when a number is issued, or "number", containers ahead.

    `count_every_days`: stock is counted at least so often (30 is a proposal; common practice).
    """

    count: int
    strength_mg: float
    form: str
    storage: str
    way: Literal["stock", "number"] = "stock"
    count_every_days: int = 30


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Contact after dosing, in hours after the dose, both edges included.

    `ladder` says whom to ring, one after the other, each `again_after_minutes` after the try before failed.
    """

    from_hours: float
    until_hours: float
    questions: tuple[str, ...]
    ladder: tuple[str, ...] = ("the volunteer", "the person named for emergencies", "the physician")
    again_after_minutes: int = 120
