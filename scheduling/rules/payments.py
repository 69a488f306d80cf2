"""What volunteers are owed: each visit for itself, from the visits alone.

Nothing here can see an arm, an answer or a value, and nothing depends on finishing the series: money that is
lost by stopping would keep people in who want to leave (undue inducement; common practice of ethics
committees).
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum

CENT = Decimal("0.01")
NOTHING = Decimal("0.00")


class Ended(StrEnum):
    """How far a visit came, as far as money goes."""

    DONE = "done"
    BY_STUDY = "by_study"  # begun; a physician, a gate or the lab ended it
    BY_VOLUNTEER = "by_volunteer"  # begun; the volunteer wished to stop
    SENT_HOME = "sent_home"  # came, and the study did not begin the visit
    NOT_YET = "not_yet"  # to come or under way
    NOT_HELD = "not_held"  # cancelled, or nobody came


WORDS = {
    Ended.DONE: "done",
    Ended.BY_STUDY: "ended early by the study",
    Ended.BY_VOLUNTEER: "ended early by the volunteer",
    Ended.SENT_HOME: "came, sent home by the study",
    Ended.NOT_YET: "not over yet",
    Ended.NOT_HELD: "did not take place",
}
_FULL = frozenset({Ended.DONE, Ended.BY_STUDY, Ended.SENT_HOME})


@dataclass(frozen=True, slots=True)
class Amount:
    """What one visit is worth: `due` of `full`, and why, in words. Exact money, two decimals."""

    number: int
    ended: Ended
    full: Decimal
    due: Decimal
    uid: str = ""
    currency: str = ""

    @property
    def why(self) -> str:
        """How the visit ended, in words."""
        return WORDS[self.ended]


@dataclass(frozen=True, slots=True)
class Account:
    """What one volunteer earned in one currency, by visit, and was paid in it. Sums of two currencies are never added.

    `owed` is never below nought; `over` is what was too much.
    """

    amounts: tuple[Amount, ...]
    paid: Decimal
    currency: str = ""

    @property
    def due(self) -> Decimal:
        """The sum over the visits."""
        return sum((one.due for one in self.amounts), NOTHING)

    @property
    def owed(self) -> Decimal:
        """What is still to be paid."""
        return max(self.due - self.paid, NOTHING)

    @property
    def over(self) -> Decimal:
        """What was paid beyond what is due."""
        return max(self.paid - self.due, NOTHING)


def exact(value: float | Decimal) -> Decimal:
    """Return money to the cent, halves up. A number of a document is taken as written: 12.345 is 12.35."""
    return Decimal(str(value)).quantize(CENT, ROUND_HALF_UP)


def ended_as(state: str, *, by_volunteer: bool) -> Ended:
    """Return how far a visit came. Unless the record says that the volunteer ended it, the study did."""
    if state == "done":
        return Ended.DONE
    if state == "stopped":
        return Ended.BY_VOLUNTEER if by_volunteer else Ended.BY_STUDY
    return Ended.NOT_YET if state in ("booked", "running") else Ended.NOT_HELD


def amount_of(
    *,
    number: int,
    ended: Ended,
    payment: float,
    stopped_share: float,
    uid: str = "",
    currency: str = "",
) -> Amount:
    """Return what a visit is worth under the document's `payment` and `stopped_share`."""
    full = exact(payment)
    due = NOTHING
    if ended in _FULL:
        due = full
    elif ended == Ended.BY_VOLUNTEER:
        due = (full * Decimal(str(stopped_share))).quantize(CENT, ROUND_HALF_UP)
    return Amount(number, ended, full, due, uid, currency)


def totals(accounts: Iterable[Account]) -> list[tuple[Decimal, str]]:
    """Return what is owed to several volunteers together, a sum for each currency by its code."""
    sums: dict[str, Decimal] = {}
    for one in accounts:
        if one.owed:
            sums[one.currency] = sums.get(one.currency, NOTHING) + one.owed
    return [(amount, currency) for currency, amount in sorted(sums.items())]


def names_an_account(text: str) -> bool:
    """Whether a note looks as if it held a number of an account or card: nine digits or more, however spaced."""
    return any(sum(map(str.isdigit, row)) >= 9 for row in re.findall(r"[\d \-.]+", text))
