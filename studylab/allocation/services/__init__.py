"""Writing: the list, numbers, kits, opened codes. Whatever an arm passes through here stays in locals."""

from studylab.allocation.services.assays import assay_explain, assay_record
from studylab.allocation.services.batches import (
    batch_check,
    excursion_decide,
    excursion_record,
    kit_sight,
)
from studylab.allocation.services.blinding import drill_finish, guess_record, learnt_record
from studylab.allocation.services.cards import card_opened, card_settle, cards_print
from studylab.allocation.services.counting import count_explain, stock_count
from studylab.allocation.services.dispensing import (
    containers_prepare,
    kit_dispense,
    kit_given,
    kit_prepare,
)
from studylab.allocation.services.lists import list_seal
from studylab.allocation.services.numbers import entry_issue
from studylab.allocation.services.opening import OpenedCode, code_open
from studylab.allocation.services.stock import (
    kit_destroy,
    kit_quarantine,
    kit_release,
    kit_return,
    kit_transfer,
    kits_receive,
)
from studylab.allocation.services.telling import (
    arm_letter_made,
    arm_wish_record,
    telling_record,
    telling_take_back,
)
from studylab.allocation.services.unblinding import (
    data_lock,
    list_read,
    opening_agree,
    opening_ask,
)

__all__ = [
    "OpenedCode",
    "arm_letter_made",
    "arm_wish_record",
    "assay_explain",
    "assay_record",
    "batch_check",
    "card_opened",
    "card_settle",
    "cards_print",
    "code_open",
    "containers_prepare",
    "count_explain",
    "data_lock",
    "drill_finish",
    "entry_issue",
    "excursion_decide",
    "excursion_record",
    "guess_record",
    "kit_destroy",
    "kit_dispense",
    "kit_given",
    "kit_prepare",
    "kit_quarantine",
    "kit_release",
    "kit_return",
    "kit_sight",
    "kit_transfer",
    "kits_receive",
    "learnt_record",
    "list_read",
    "list_seal",
    "opening_agree",
    "opening_ask",
    "stock_count",
    "telling_record",
    "telling_take_back",
]
