"""Deviations that the times of a consent bring about, and what a later correction does to them."""

from collections.abc import Sequence

from studylab.access import Actor
from studylab.db import lock
from studylab.participants.models import Consent, Deviation
from studylab.participants.record_times import TooEarly, records_before_consent
from studylab.participants.rules.consent import instant_words, staff_first
from studylab.participants.selectors import consent_times
from studylab.participants.services.deviations import deviation_found, explanation_add

_RECORDS = "records and consent"
_SIGNATURES = "signatures on the {kind} consent"


def note_order(*, consent: Consent, actor: Actor) -> None:
    """Hold the whole record against a consent just written, inside the caller's transaction.

    What is out of order becomes a deviation unless an unexplained one says so already. What a correction put
    back in order is explained by it, and waits for a second person: no edit of a time closes what the
    old time opened.
    """
    early = records_before_consent(consent.participant)
    _settle(consent, _RECORDS, _early_words(consent, early), actor)
    subject = _SIGNATURES.format(kind=consent.kind)
    _settle(consent, subject, _staff_words(consent), actor)


def _settle(consent: Consent, subject: str, problem: str, actor: Actor) -> None:
    """Open a deviation for `problem`, or when there is none explain those that stand."""
    standing = Deviation.objects.filter(
        participant=consent.participant, kind=Deviation.Kind.CONSENT_ORDER, subject=subject
    ).exclude(state=Deviation.State.CLOSED)
    if problem:
        if not standing.filter(state=Deviation.State.OPEN).exists():
            deviation_found(
                study=consent.participant.study,
                participant=consent.participant,
                kind=Deviation.Kind.CONSENT_ORDER,
                what=problem,
                subject=subject,
                occurred_at=consent.recorded_at,
                actor=actor,
            )
        return
    if consent.supersedes is None:
        return
    for deviation in standing.filter(found_by_system=True).order_by("pk"):
        explanation_add(
            deviation=lock(Deviation, pk=deviation.pk), text=_correction_words(consent), actor=actor
        )


def _early_words(consent: Consent, early: Sequence[TooEarly]) -> str:
    timezone = consent.participant.study.timezone
    parts = []
    for record in early:
        given = (
            f"consent given {instant_words(record.allowed_from, timezone)}"
            if record.allowed_from
            else "no consent on record"
        )
        parts.append(f"{record.label} at {instant_words(record.at, timezone)}, {given}")
    return f"Procedure before consent: {'; '.join(parts)}." if parts else ""


def _staff_words(consent: Consent) -> str:
    if not staff_first(consent_times(consent)) or consent.staff_signed_at is None:
        return ""
    timezone = consent.participant.study.timezone
    return (
        f"Staff signed at {instant_words(consent.staff_signed_at, timezone)}, before the volunteer at "
        f"{instant_words(consent.signed_at, timezone)}."
    )


def _correction_words(consent: Consent) -> str:
    assert consent.supersedes is not None, "only a correction explains"
    timezone = consent.participant.study.timezone
    before, after = consent.supersedes, consent
    changes = [
        f"{label} {instant_words(old, timezone)} to {instant_words(new, timezone)}"
        for label, old, new in (
            ("volunteer's signature", before.signed_at, after.signed_at),
            ("staff's signature", before.staff_signed_at, after.staff_signed_at),
        )
        if old is not None and new is not None and old != new
    ]
    return f"Explained by later correction: {'; '.join(changes) or 'times changed'}. Reason given: {consent.reason}"
