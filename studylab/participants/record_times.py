"""Where the apps above say since when they hold something on a person.

This app cannot read tables of the apps above it, yet a corrected consent must be held against what was
recorded under it. Each app registers its tables once, in `AppConfig.ready`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from studylab.audit.history import STANDS
from studylab.participants.models import Consent, Participant

Earliest = Callable[[Participant], datetime | None]


@dataclass(frozen=True, slots=True)
class RecordTime:
    """One kind of record: its name in words, its earliest instant, which consents allow it."""

    label: str
    earliest: Earliest
    kinds: frozenset[str]


@dataclass(frozen=True, slots=True)
class TooEarly:
    """A record that precedes the consent it needs; `allowed_from` is None without any consent."""

    label: str
    at: datetime
    allowed_from: datetime | None


_registered: dict[str, RecordTime] = {}


def register_record_time(
    label: str, earliest: Earliest, kinds: tuple[str, ...] = (Consent.Kind.STUDY,)
) -> None:
    """Register one kind of record, for example ("vital set", earliest_vital_set).

    `earliest(participant)` returns the earliest instant at which something of the kind happened, or None.
    `kinds` are the consents that allow it, as in the table's `consent_first` guard. A label registered
    again replaces its predecessor.
    """
    _registered[label] = RecordTime(label, earliest, frozenset(kinds))


def records_before_consent(participant: Participant) -> list[TooEarly]:
    """Return every kind of record whose earliest instant no standing consent precedes, earliest first."""
    standing = Consent.objects.filter(STANDS, participant=participant)
    given = [(consent.kind, consent.signed_at) for consent in standing]
    found = []
    for record in _registered.values():
        at = record.earliest(participant)
        if at is None:
            continue
        allowed_from = min((signed for kind, signed in given if kind in record.kinds), default=None)
        if allowed_from is None or allowed_from >= at:
            found.append(TooEarly(record.label, at, allowed_from))
    return sorted(found, key=lambda early: early.at)
