"""Everything read from this app. Import selectors from here."""

from studylab.participants.selectors.consents import (
    ConsentEntry,
    agreed_to_questions,
    consent_entries,
    consent_history,
    consent_times,
    current_consent,
)
from studylab.participants.selectors.deviations import (
    access_deviation,
    barred_from_closing,
    closing_is_void,
    deviations_about,
    deviations_of,
    shown_deviation,
    signed_content,
)
from studylab.participants.selectors.holds import access_hold, holds_of, open_holds
from studylab.participants.selectors.matching import Match, fresh_matches, likely_matches
from studylab.participants.selectors.volunteers import (
    ON_HOLD,
    access_participant,
    birth_date,
    contact_details,
    contact_details_of,
    find_volunteers,
    volunteers_of,
)

__all__ = [
    "ON_HOLD",
    "ConsentEntry",
    "Match",
    "access_deviation",
    "access_hold",
    "access_participant",
    "agreed_to_questions",
    "barred_from_closing",
    "birth_date",
    "closing_is_void",
    "consent_entries",
    "consent_history",
    "consent_times",
    "contact_details",
    "contact_details_of",
    "current_consent",
    "deviations_about",
    "deviations_of",
    "find_volunteers",
    "fresh_matches",
    "holds_of",
    "likely_matches",
    "open_holds",
    "shown_deviation",
    "signed_content",
    "volunteers_of",
]
