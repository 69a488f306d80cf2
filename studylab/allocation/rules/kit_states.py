"""What may happen to a kit, and what it is afterwards. The ledger is the truth; the state follows it.

A kit that has left the dispensary never goes back into stock, and one that was given, returned by a volunteer
or destroyed is never handed out again.
"""

from collections.abc import Iterable
from dataclasses import dataclass

IN_STOCK = "in_stock"
PREPARED = "prepared"
DISPENSED = "dispensed"
GIVEN = "given"
RETURNED = "returned"
QUARANTINED = "quarantined"
DESTROYED = "destroyed"
TRANSFERRED = "transferred"
MISSING = "missing"
STATES = (
    IN_STOCK, PREPARED, DISPENSED, GIVEN, RETURNED, QUARANTINED, DESTROYED, TRANSFERRED, MISSING,
)  # fmt: skip
OUT_FOR_A_NUMBER = (PREPARED, DISPENSED, GIVEN)  # at most one kit of a number is in one of these
USED_UP = (GIVEN, DESTROYED, TRANSFERRED)


@dataclass(frozen=True, slots=True)
class Change:
    """One kind of movement: the states it starts from and the one it leads to."""

    before: tuple[str, ...]
    after: str
    words: str


CHANGES: dict[str, Change] = {
    "prepare": Change((IN_STOCK,), PREPARED, "prepared"),
    "dispense": Change((PREPARED,), DISPENSED, "handed out"),
    "give": Change((DISPENSED,), GIVEN, "recorded as given"),
    "return": Change((PREPARED, DISPENSED), RETURNED, "taken back"),
    "quarantine": Change((IN_STOCK, PREPARED, DISPENSED), QUARANTINED, "put in quarantine"),
    "release": Change((QUARANTINED,), IN_STOCK, "released into stock"),
    "destroy": Change((IN_STOCK, RETURNED, QUARANTINED), DESTROYED, "destroyed"),
    "transfer": Change((IN_STOCK, RETURNED, QUARANTINED), TRANSFERRED, "transferred"),
    "lose": Change(
        (IN_STOCK, PREPARED, DISPENSED, RETURNED, QUARANTINED), MISSING, "recorded as not found"
    ),
    # What turns up again was out of sight: it is looked at before anything else.
    "find": Change((MISSING,), QUARANTINED, "found again and put in quarantine"),
}
NEEDS_REASON = frozenset({"return", "quarantine", "release", "destroy", "transfer", "lose", "find"})
NEEDS_SECOND = frozenset({"dispense", "give", "lose", "find"})
FOR_A_PERSON = frozenset({"prepare", "dispense", "give"})
STATE_WORDS = {
    IN_STOCK: "in stock",
    PREPARED: "prepared for a number",
    DISPENSED: "handed out",
    GIVEN: "given",
    RETURNED: "returned",
    QUARANTINED: "in quarantine",
    DESTROYED: "destroyed",
    TRANSFERRED: "transferred",
    MISSING: "not found",
}


OUT_OF_SIGHT = frozenset({"dispense", "lose"})  # after one of these a kit is never stock again


class NotPossible(ValueError):
    """This movement cannot follow; the message is a sentence for the pharmacist."""


def after(state: str | None, what: str, *, left_before: bool = False) -> str:
    """Return the state after movement `what`; `state` is None for a kit that is not received yet.

    `left_before` says whether the kit was ever handed out or not to be found. NotPossible when the movement cannot follow.
    """
    if what == "receive":
        if state is not None:
            raise NotPossible("This kit was received already.")
        return IN_STOCK
    change = CHANGES.get(what)
    if change is None:
        raise NotPossible(f"There is no kit movement called “{what}”.")
    if state is None:
        raise NotPossible("This kit was never received.")
    if state not in change.before:
        allowed = " or ".join(STATE_WORDS[one] for one in change.before)
        raise NotPossible(
            f"The kit is {STATE_WORDS[state]}; only a kit that is {allowed} can be {change.words}."
        )
    if what == "release" and left_before:
        raise NotPossible(
            "This kit has left the dispensary or its sight, so it cannot go back into stock. Destroy it."
        )
    return change.after


def possible(state: str, *, left_before: bool = False) -> tuple[str, ...]:
    """Return the movements that may follow, in the order of the table."""
    return tuple(
        what
        for what, change in CHANGES.items()
        if state in change.before and not (what == "release" and left_before)
    )


def replay(lines: Iterable[str]) -> str | None:
    """Return the state that the ledger's lines lead to; NotPossible names the first that cannot stand."""
    state: str | None = None
    out = False
    for what in lines:
        state = after(state, what, left_before=out)
        out = out or what in OUT_OF_SIGHT
    return state
