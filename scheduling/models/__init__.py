"""Rooms and people, booked series, what happened at each visit, doses and contacts after them."""

from scheduling.models.changes import FreedTime, SeriesChange
from scheduling.models.feeds import CalendarFeed
from scheduling.models.own_page import MoveAnswer, MoveProposal, VisitConfirmation
from scheduling.models.payments import Payment, SentHome
from scheduling.models.plan import PlanRow, PlanRun
from scheduling.models.presence import RescueCheck, Staying
from scheduling.models.resources import Closure, CoverPresence, Opening, Place, Resource
from scheduling.models.rota import Holiday, RotaImport, Shift
from scheduling.models.series import Booking, Series, Visit
from scheduling.models.sheet import AfterContact, Dose, StepRecord
from scheduling.models.talks import Talk
from scheduling.models.waiting import Offer, Waiting
from scheduling.models.wallet import WalletCard
from scheduling.models.wishes import Availability, HeldPlace, OptionHold

__all__ = [
    "AfterContact",
    "Availability",
    "Booking",
    "CalendarFeed",
    "Closure",
    "CoverPresence",
    "Dose",
    "FreedTime",
    "HeldPlace",
    "Holiday",
    "MoveAnswer",
    "MoveProposal",
    "Offer",
    "Opening",
    "OptionHold",
    "Payment",
    "Place",
    "PlanRow",
    "PlanRun",
    "RescueCheck",
    "Resource",
    "RotaImport",
    "SentHome",
    "Series",
    "SeriesChange",
    "Shift",
    "Staying",
    "StepRecord",
    "Talk",
    "Visit",
    "VisitConfirmation",
    "Waiting",
    "WalletCard",
]
