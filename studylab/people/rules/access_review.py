"""What roles open, in plain words, and when the next review of access is due. Pure: time is an argument."""

import calendar
from collections.abc import Collection
from datetime import date

from studylab.access import ROLE_CAPS, Cap, Role

# The first capability that somebody holds makes the sentence true; in the order in which it is read.
_WORDS: tuple[tuple[Cap, str], ...] = (
    (Cap.LIST_MANAGE, "seals the list and can read arms"),
    (Cap.DISPENSE, "prepares and hands out kits"),
    (Cap.CODE_OPEN, "can open one code in an emergency"),
    (Cap.SIGN_OFF, "signs who may take part"),
    (Cap.LIMITS_CONFIRM, "confirms limits"),
    (Cap.HOLD_RELEASE, "releases holds"),
    (Cap.HEALTH_VIEW, "reads health data by code"),
    (Cap.CONTACT_VIEW, "sees names and contact details"),
    (Cap.VISIT_RUN, "runs visits and records doses"),
    (Cap.SERIES_BOOK, "books and moves visits"),
    (Cap.PAYMENTS, "records payments"),
    (Cap.PEOPLE_MANAGE, "gives and ends roles"),
    (Cap.SETUP_EDIT, "changes the set-up"),
    (Cap.RECORD_VIEW, "reads the whole record"),
    (Cap.EXPORT_MAKE, "makes exports of the data"),
)
REVIEW_MONTHS = 3  # common practice; the protocol and the lab's own rules win
REVIEW_MONTHS_MOST = 12


def opens_in_words(roles: Collection[Role]) -> str:
    """Return what these roles of one person open together, as one sentence without a full stop."""
    caps: frozenset[Cap] = frozenset().union(*(ROLE_CAPS[role] for role in roles))
    said = [words for cap, words in _WORDS if cap in caps]
    return ", ".join(said) if said else "sees the study's set-up only"


def months_later(day: date, months: int) -> date:
    """Return the same day of a later month, or its last day where it has no such day."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
