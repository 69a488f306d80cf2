"""The sealed list, its numbers, kits, their movements, and opened codes. The only place that knows arms."""

from studylab.allocation.models.assays import Assay, AssayExplained
from studylab.allocation.models.blinding import CardLine, CodeCard, Drill, Guess, Learnt
from studylab.allocation.models.checks import (
    BatchCheck,
    CountExplained,
    Excursion,
    ListCheck,
    StockCount,
)
from studylab.allocation.models.exposure import Exposure
from studylab.allocation.models.kits import Kit, KitBatch
from studylab.allocation.models.ledger import KitMovement
from studylab.allocation.models.numbers import AllocationList, ListEntry
from studylab.allocation.models.opening_list import DataLock, ListOpening
from studylab.allocation.models.reveals import Reveal
from studylab.allocation.models.telling import ArmTelling, ArmWish

__all__ = [
    "AllocationList",
    "ArmTelling",
    "ArmWish",
    "Assay",
    "AssayExplained",
    "BatchCheck",
    "CardLine",
    "CodeCard",
    "CountExplained",
    "DataLock",
    "Drill",
    "Excursion",
    "Exposure",
    "Guess",
    "Kit",
    "KitBatch",
    "KitMovement",
    "Learnt",
    "ListCheck",
    "ListEntry",
    "ListOpening",
    "Reveal",
    "StockCount",
]
