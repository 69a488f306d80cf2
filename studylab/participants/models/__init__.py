"""Volunteers, their contact details, their consent, and what went differently."""

from studylab.participants.models.acquaintance import Acquaintance
from studylab.participants.models.consent import Consent
from studylab.participants.models.contact import Contact, IdentityKey
from studylab.participants.models.deviation import Deviation
from studylab.participants.models.event import AdverseEvent, EventEntry, EventReading
from studylab.participants.models.hold import Hold
from studylab.participants.models.link import Knock, LinkDevice, PersonalLink
from studylab.participants.models.pause import CareStatus, DosingPause, NewsAnswer, SafetyNews
from studylab.participants.models.person import Participant, Person
from studylab.participants.models.report import DeviationAssessment, SafetyReport, Told
from studylab.participants.models.wish import LeavingWish
from studylab.participants.models.word import VolunteerWord, WordAct

__all__ = [
    "Acquaintance",
    "AdverseEvent",
    "CareStatus",
    "Consent",
    "Contact",
    "Deviation",
    "DeviationAssessment",
    "DosingPause",
    "EventEntry",
    "EventReading",
    "Hold",
    "IdentityKey",
    "Knock",
    "LeavingWish",
    "LinkDevice",
    "NewsAnswer",
    "Participant",
    "Person",
    "PersonalLink",
    "SafetyNews",
    "SafetyReport",
    "Told",
    "VolunteerWord",
    "WordAct",
]
