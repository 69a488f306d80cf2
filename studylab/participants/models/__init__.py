"""Volunteers, their contact details, their consent, and what went differently."""

from studylab.participants.models.acquaintance import Acquaintance
from studylab.participants.models.consent import Consent
from studylab.participants.models.contact import Contact, IdentityKey
from studylab.participants.models.deviation import Deviation
from studylab.participants.models.hold import Hold
from studylab.participants.models.link import Knock, LinkDevice, PersonalLink
from studylab.participants.models.person import Participant, Person

__all__ = [
    "Acquaintance",
    "Consent",
    "Contact",
    "Deviation",
    "Hold",
    "IdentityKey",
    "Knock",
    "LinkDevice",
    "Participant",
    "Person",
    "PersonalLink",
]
