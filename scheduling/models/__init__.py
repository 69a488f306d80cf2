"""Rooms and people, booked series, what happened at each visit, doses and contacts after them."""

from scheduling.models.resources import Closure, CoverPresence, Opening, Place, Resource
from scheduling.models.series import Booking, Series, Visit
from scheduling.models.sheet import AfterContact, Dose, StepRecord

__all__ = [
    "AfterContact",
    "Booking",
    "Closure",
    "CoverPresence",
    "Dose",
    "Opening",
    "Place",
    "Resource",
    "Series",
    "StepRecord",
    "Visit",
]
