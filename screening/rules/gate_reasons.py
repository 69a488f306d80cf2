"""The words of the dose gate: what each reason asks of whom, and how a fact becomes a reason."""

from dataclasses import dataclass
from datetime import datetime

# What to do about each reason: who does what.
FIXES = {
    "limits_unconfirmed": "The supervising physician confirms the limits of this protocol version.",
    "dosing_paused": "The physician who paused dosing, or the study lead, decides when it goes on.",
    "participant_inactive": "Nobody: this person takes no further part. End the visit.",
    "identity_unconfirmed": "The experimenter checks two identifiers and the document.",
    "already_dosed": "Nobody: each person gets one dose. Tell the study lead if this looks wrong.",
    "consent_missing": "The coordinator obtains and records consent before anything else.",
    "consent_outdated": "The coordinator goes through the current consent text and has it signed.",
    "consent_withdrawn": "Nobody: consent is withdrawn. End the visit kindly.",
    "sign_off_missing": "The supervising physician reviews the person and signs.",
    "sign_off_expired": "The supervising physician reviews the person again and signs.",
    "sign_off_changed": "The supervising physician looks at what changed and signs again.",
    "number_missing": "The coordinator issues the allocation number.",
    "questions_missing": "The experimenter goes through today's questions with the volunteer.",
    "questions_flagged": "The physician on site decides and signs, or the visit is moved.",
    "questions_old": "The experimenter goes through the questions again today.",
    "washout": "The coordinator moves the visit. Nobody stops a prescribed medicine for it: the prescriber decides.",
    "note_unanswered": "A clinician answers it on the volunteer's page of notes; a medicine in use goes on the list.",
    "vitals_missing": "The experimenter takes the pre-dose readings.",
    "vitals_undecided": "The experimenter completes the set or takes a new one.",
    "vitals_old": "The experimenter takes a new set of pre-dose readings.",
    "vitals_unjudged": "Reload the page; tell the study lead if this stays.",
    "vitals_outside": "No dose at this visit: the physician decides about another one.",
    "vitals_unreleased": "Rest 10 minutes and repeat the set once, or the physician on site signs a release.",
    "check_missing": "The experimenter does the check and records it.",
    "check_failed": "No dose now: the physician on site looks at it. A meal can be eaten and entered again.",
    "visit_unfinished": "The experimenter finishes the earlier visit, or the visits are booked anew.",
    "spacing": "The coordinator moves the visit, or the study lead records a deviation.",
    "kit_missing": "The pharmacist prepares a kit for this person and hands it out.",
    "kit_wrong": "Put this kit aside; the pharmacist brings the right one.",
    "kit_undispensed": "The pharmacist hands it out, with a second person.",
    "kit_unscanned": "The experimenter scans or types the number on the kit.",
    "kit_expired": "Put this kit aside; the pharmacist brings another one.",
    "kit_quarantined": "Put this kit aside; the pharmacist decides.",
    "cover_absent": "A physician of the study comes to the site and says so here.",
    "cover_short": "The coordinator arranges a physician on site until the end of the wait.",
    "opening_unpractised": "The physician practises it on their own phone: Safety, Opened codes, Practise. "
    "It takes a minute.",
    "cover_stale": "The physician on site presses “Still here” on Today.",
    "rescue_kit": "The experimenter looks through the emergency kit and records it on Today.",
    "nobody_stays": "Whoever stays with the volunteer says so on the run sheet.",
    "hold_open": "The physician decides on the hold.",
    "safety_unknown": "Reload the page; tell the study lead if this stays.",
    "stopping_rule": "The supervising physician and the study lead both look at it and sign on the Safety page.",
    "care_unknown": "A clinician asks a named source and records how the person is, on the Safety page.",
    "symptoms_unread": "A clinician opens it on the Safety page and marks it as read.",
    "symptom_unexpected": "A clinician looks at it on the Safety page before the next dose.",
    "news_unapproved": "A clinician approves a text on the page of the event, or signs that none is needed.",
    "news_untold": "The experimenter tells this person the approved text and records what they choose.",
    "news_stop": "Nobody: this person chose to stop. End the visit kindly.",
}


@dataclass(frozen=True, slots=True)
class GateReason:
    """One reason why the gate is shut: a code, what is the matter, and who does what about it."""

    code: str
    what: str
    fix: str
    unknown: bool = False


def shut(code: str, what: str) -> GateReason:
    """Give the reason `code` for a fact that is wrong."""
    return GateReason(code, what, FIXES[code])


def unknown(code: str, what: str) -> GateReason:
    """Give the reason `code` for a fact nobody has; `what` is the subject of "is not known"."""
    return GateReason(code, f"{what} is not known.", FIXES[code], unknown=True)


def must(
    value: bool | None, wanted: bool, code: str, broken: str, subject: str
) -> list[GateReason]:
    """Give no reason only when `value` is known and as wanted."""
    if value is None:
        return [unknown(code, subject)]
    return [] if value is wanted else [shut(code, broken)]


def known(instant: datetime | None) -> datetime | None:
    """Give back an instant that can be compared; one without a time zone counts as not known."""
    return instant if instant is not None and instant.utcoffset() is not None else None
