"""Everything this app writes. Import services from here."""

from studylab.participants.services.consents import agreement_give, consent_correct, consent_record
from studylab.participants.services.contacts import contact_change, contact_read
from studylab.participants.services.deviations import (
    deviation_close,
    deviation_explain,
    deviation_found,
    deviation_record,
)
from studylab.participants.services.ends import (
    participant_complete,
    participant_end,
    participant_lost,
    participant_screen_out,
    participant_withdraw,
)
from studylab.participants.services.holds import hold_open, hold_release
from studylab.participants.services.volunteers import (
    DuplicateDecision,
    DuplicateFound,
    participant_add,
)

__all__ = [
    "DuplicateDecision",
    "DuplicateFound",
    "agreement_give",
    "consent_correct",
    "consent_record",
    "contact_change",
    "contact_read",
    "deviation_close",
    "deviation_explain",
    "deviation_found",
    "deviation_record",
    "hold_open",
    "hold_release",
    "participant_add",
    "participant_complete",
    "participant_end",
    "participant_lost",
    "participant_screen_out",
    "participant_withdraw",
]
