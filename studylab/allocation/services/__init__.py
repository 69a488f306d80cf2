"""Writing: the list, numbers, kits, opened codes. Whatever an arm passes through here stays in locals."""

from studylab.allocation.services.dispensing import kit_dispense, kit_given, kit_prepare
from studylab.allocation.services.lists import list_seal
from studylab.allocation.services.numbers import entry_issue
from studylab.allocation.services.opening import OpenedCode, code_open
from studylab.allocation.services.stock import (
    kit_destroy,
    kit_quarantine,
    kit_release,
    kit_return,
    kits_receive,
)

__all__ = [
    "OpenedCode",
    "code_open",
    "entry_issue",
    "kit_destroy",
    "kit_dispense",
    "kit_given",
    "kit_prepare",
    "kit_quarantine",
    "kit_release",
    "kit_return",
    "kits_receive",
    "list_seal",
]
