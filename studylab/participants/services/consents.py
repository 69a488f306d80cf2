"""Recording consent and correcting it, with what either brings to light."""

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.kept_away import check_not_away
from studylab.participants.models import Consent, Participant
from studylab.participants.selectors import current_consent
from studylab.participants.services.checks import lock_participant, require_active, said
from studylab.participants.services.consent_order import note_order
from studylab.participants.services.links import require_holder
from studylab.studies.selectors import current_protocol


@service
def consent_record(
    *,
    participant: Participant,
    kind: str,
    version: str,
    method: str,
    signed_at: datetime | None,
    written_on: date | None = None,
    staff_signed_at: datetime | None = None,
    actor: Actor,
) -> Consent:
    """Record one consent. Nothing is defaulted from anything else.

    On paper, `signed_at` is when the volunteer signed, `written_on` the day they wrote beside it,
    `staff_signed_at` when staff signed; the moment of recording is the server's. On screen, `signed_at` must be
    None: the server takes its own time at the volunteer's act. Whatever is found out of order becomes a
    deviation.
    """
    require(actor, Cap.CONSENT_RECORD)
    participant = lock_participant(participant, actor)
    require_active(participant)
    check_not_away(participant, actor)
    _check_wanted(participant, kind, version)
    signed_at = _signed_at(method, signed_at)
    times = {"signed_at": signed_at, "written_on": written_on, "staff_signed_at": staff_signed_at}
    _check_times(participant, kind, method, times)
    consent = Consent.objects.create(
        participant=participant, kind=kind, version=version, method=method,
        recorded_at=clock.now(), recorded_by_id=actor.user_id, **times,
    )  # fmt: skip
    _note(actor, Action.CONSENT_RECORDED, consent)
    note_order(consent=consent, actor=actor)
    return consent


@service
def consent_correct(
    *,
    consent: Consent,
    signed_at: datetime,
    reason: str,
    written_on: date | None = None,
    staff_signed_at: datetime | None = None,
    actor: Actor,
) -> Consent:
    """Correct the times of a consent by a new entry; the old one stays beside it.

    A correction that puts recorded data before the consent makes a deviation. One that mends the order again
    closes nothing: it explains, and a second person closes.
    """
    require(actor, Cap.CONSENT_RECORD)
    participant = lock_participant(consent.participant, actor)
    check_not_away(participant, actor)
    if consent.method in (Consent.Method.SCREEN, Consent.Method.LINK):
        raise Refused(
            "This consent carries the server's time of the volunteer's own act. It stays."
        )
    if Consent.objects.filter(supersedes=consent).exists():
        raise Conflict("This consent was corrected already. Look at the newest entry.")
    text = said(reason, field="reason", ask="Say why the consent is corrected.", most=300)
    times = {"signed_at": signed_at, "written_on": written_on, "staff_signed_at": staff_signed_at}
    if all(getattr(consent, field) == value for field, value in times.items()):
        raise Refused("Nothing differs from what is on record.", field="signed_at")
    _check_times(participant, consent.kind, consent.method, times)
    corrected = Consent.objects.create(
        participant=participant, kind=consent.kind, version=consent.version, method=consent.method,
        recorded_at=clock.now(), recorded_by_id=actor.user_id, supersedes=consent, reason=text, **times,
    )  # fmt: skip
    _note(actor, Action.CONSENT_CORRECTED, corrected)
    note_order(consent=corrected, actor=actor)
    return corrected


@service
def agreement_give(
    *, participant: Participant, version: str, language: str, actor: Actor
) -> Consent:
    """Record the volunteer's own agreement to health questions, given through a personal link.

    `version` and `language` are those of the text that was read. Given twice, it is recorded once.
    """
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    require_active(participant)
    standing = current_consent(participant, Consent.Kind.QUESTIONS)
    if standing is not None and standing.version == version:
        return standing
    _check_wanted(participant, Consent.Kind.QUESTIONS, version)
    now = clock.now()
    consent = Consent.objects.create(
        participant=participant, kind=Consent.Kind.QUESTIONS, version=version,
        method=Consent.Method.LINK, signed_at=now, recorded_at=now,
    )  # fmt: skip
    _note(actor, Action.CONSENT_RECORDED, consent, {"language": language})
    note_order(consent=consent, actor=actor)
    return consent


def _check_wanted(participant: Participant, kind: str, version: str) -> None:
    """Raise Refused for another text than the one in force, Conflict when it is consented to already."""
    if kind not in Consent.Kind.values:
        raise Refused("There is no such consent.", field="kind")
    wanted = current_protocol(participant.study).plan.consent_version
    if version != wanted:
        raise Refused(
            f"The text in force is version “{wanted}”. Have the volunteer sign that one.",
            field="version",
        )
    standing = current_consent(participant, kind)
    if standing is not None and standing.version == version:
        raise Conflict(
            "This consent is on record already. If something in it is wrong, correct that entry."
        )


def _signed_at(method: str, signed_at: datetime | None) -> datetime:
    if method == Consent.Method.SCREEN:
        if signed_at is not None:
            raise Refused("The time of a consent on screen is the server's. Nobody enters it.")
        return clock.now()
    if signed_at is None:
        raise Refused("Enter when the volunteer gave this consent.", field="signed_at")
    return signed_at


def _check_times(participant: Participant, kind: str, method: str, times: dict[str, Any]) -> None:
    """Raise Refused at the field of a time that is missing or cannot be."""
    if method not in Consent.Method.values or method == Consent.Method.LINK:
        raise Refused("Say how the consent was given.", field="method")
    now = clock.now()
    for field in ("signed_at", "staff_signed_at"):
        if times[field] is not None and times[field] > now:
            raise Refused("This is later than now. Check date and time.", field=field)
    today = now.astimezone(ZoneInfo(participant.study.timezone)).date()
    if times["written_on"] is not None and times["written_on"] > today:
        raise Refused(
            "This day is still to come. Enter what the volunteer wrote.", field="written_on"
        )
    if kind != Consent.Kind.STUDY:
        return
    if method == Consent.Method.SPOKEN:
        raise Refused("Consent to the study is given in writing.", field="method")
    if method == Consent.Method.PAPER:
        if times["written_on"] is None:
            raise Refused(
                "Enter the date that the volunteer wrote on the form.", field="written_on"
            )
        if times["staff_signed_at"] is None:
            raise Refused(
                "Enter when staff signed. A form without that signature is not complete yet.",
                field="staff_signed_at",
            )


def _note(
    actor: Actor, action: Action, consent: Consent, more: dict[str, Any] | None = None
) -> None:
    before = consent.supersedes
    data: dict[str, Any] = {
        **(more or {}),
        "kind": consent.kind,
        "version": consent.version,
        "method": consent.method,
    }
    data |= {"now": _times(consent)}
    if before is not None:
        data |= {"before": _times(before)}
    audit(
        actor=actor,
        action=action,
        subject_type="consent",
        subject_code=consent.participant.code,
        participant_code=consent.participant.code,
        study_id=consent.participant.study_id,
        reason=consent.reason,
        data=data,
    )


def _times(consent: Consent) -> dict[str, str]:
    staff, written = consent.staff_signed_at, consent.written_on
    return {
        "signed_at": consent.signed_at.isoformat(),
        "staff_signed_at": staff.isoformat() if staff else "",
        "written_on": written.isoformat() if written else "",
    }
