"""Reading: facts without arms for everybody, stock and counts for pharmacists."""

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

__all__ = [
    "KitAmount",
    "KitState",
    "ListState",
    "entry_of",
    "kit_amount",
    "kit_fact",
    "kit_for_number",
    "kit_of",
    "list_state",
    "numbers_issued",
    "open_levels",
]
