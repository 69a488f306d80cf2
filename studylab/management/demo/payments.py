"""Payments of the demonstration."""

from datetime import datetime

from scheduling.selectors.payments import account_of
from scheduling.services.payments import payment_record
from studylab import clock
from studylab.management.demo.walker import Walker


def paid(walker: Walker, at: datetime) -> None:
    """Pay a volunteer all that is due."""
    with clock.travel(at):
        payment_record(
            participant=walker.participant, amount=account_of(walker.participant).owed, paid_at=at,
            how="cash", actor=walker.lab.actor("coordinator"),
        )  # fmt: skip
