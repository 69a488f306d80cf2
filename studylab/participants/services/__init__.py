"""Everything this app writes. Import services from here."""

from studylab.participants.services.consents import agreement_give, consent_correct, consent_record
from studylab.participants.services.contacts import contact_change, contact_read
from studylab.participants.services.deviations import (
    Assessed,
    deviation_assess,
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
from studylab.participants.services.event_close import event_close
from studylab.participants.services.events import (
    EventSaid,
    Judgement,
    event_add,
    event_judge,
    event_read,
    event_record,
)
from studylab.participants.services.holds import hold_open, hold_release
from studylab.participants.services.pauses import care_status_record, pause_sign
from studylab.participants.services.reporting import (
    news_answer,
    news_decide,
    person_not_told,
    person_told,
    report_received,
    report_sent,
)
from studylab.participants.services.volunteers import (
    DuplicateDecision,
    DuplicateFound,
    participant_add,
)
from studylab.participants.services.wishes import Wishes

__all__ = [
    "Assessed",
    "DuplicateDecision",
    "DuplicateFound",
    "EventSaid",
    "Judgement",
    "Wishes",
    "agreement_give",
    "care_status_record",
    "consent_correct",
    "consent_record",
    "contact_change",
    "contact_read",
    "deviation_assess",
    "deviation_close",
    "deviation_explain",
    "deviation_found",
    "deviation_record",
    "event_add",
    "event_close",
    "event_judge",
    "event_read",
    "event_record",
    "hold_open",
    "hold_release",
    "news_answer",
    "news_decide",
    "participant_add",
    "participant_complete",
    "participant_end",
    "participant_lost",
    "participant_screen_out",
    "participant_withdraw",
    "pause_sign",
    "person_not_told",
    "person_told",
    "report_received",
    "report_sent",
]
