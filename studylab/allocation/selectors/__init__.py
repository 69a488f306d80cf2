"""Reading: facts without arms for everybody, stock and counts for pharmacists."""

from studylab.allocation.selectors.access import access_kit
from studylab.allocation.selectors.dispensary import reconcile
from studylab.allocation.selectors.facts import (
    KitAmount,
    KitState,
    ListState,
    entry_of,
    kit_amount,
    kit_fact,
    kit_for_number,
    kit_of,
    list_state,
    numbers_issued,
    open_levels,
)
from studylab.allocation.selectors.knowing import SOMEBODY_ELSE, may_know_arm
from studylab.allocation.selectors.opened import given_at, reveals_of

__all__ = [
    "SOMEBODY_ELSE",
    "KitAmount",
    "KitState",
    "ListState",
    "access_kit",
    "entry_of",
    "given_at",
    "kit_amount",
    "kit_fact",
    "kit_for_number",
    "kit_of",
    "list_state",
    "may_know_arm",
    "numbers_issued",
    "open_levels",
    "reconcile",
    "reveals_of",
]
