"""The sealed list, its numbers, kits, their movements, and opened codes. The only place that knows arms."""

from studylab.allocation.models.kits import Kit, KitBatch
from studylab.allocation.models.ledger import KitMovement
from studylab.allocation.models.numbers import AllocationList, ListEntry
from studylab.allocation.models.reveals import Reveal

__all__ = ["AllocationList", "Kit", "KitBatch", "KitMovement", "ListEntry", "Reveal"]
