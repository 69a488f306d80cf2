"""Reading consents."""

from dataclasses import dataclass

from django.db.models import Exists, OuterRef

from studylab.audit.history import STANDS
from studylab.participants.models import Consent, Participant
from studylab.participants.rules.consent import ConsentTimes, consent_notes
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol


def current_consent(participant: Participant, kind: str) -> Consent | None:
    """Return the newest standing consent of a kind; corrected entries do not stand any more."""
    standing = Consent.objects.filter(STANDS, participant=participant, kind=kind)
    return standing.select_related("recorded_by").order_by("-signed_at", "-id").first()


def agreed_to_questions(participant: Participant) -> bool:
    """Whether health questions may be asked under the text in force: agreement to them, or to the study."""
    version = current_protocol(participant.study).plan.consent_version
    standing = Consent.objects.filter(STANDS, participant=participant, version=version)
    return standing.exists()


def consent_history(participant: Participant) -> list[Consent]:
    """Return every consent entry, corrected ones included, newest first."""
    entries = Consent.objects.filter(participant=participant)
    return list(
        entries.select_related("recorded_by", "superseded_by").order_by("-recorded_at", "-id")
    )


def consent_times(consent: Consent) -> ConsentTimes:
    """Return the times of a consent for the rules."""
    return ConsentTimes(
        signed_at=consent.signed_at,
        recorded_at=consent.recorded_at,
        staff_signed_at=consent.staff_signed_at,
        written_on=consent.written_on,
    )


@dataclass(frozen=True, slots=True)
class ConsentEntry:
    """One entry for a page: the consent, what to notice about its times, whether it still stands."""

    consent: Consent
    notes: list[str]
    stands: bool


def consent_entries(participant: Participant) -> list[ConsentEntry]:
    """Return the history of a volunteer's consents with its notes, newest first."""
    timezone = participant.study.timezone
    return [
        ConsentEntry(
            consent=consent,
            notes=consent_notes(consent_times(consent), timezone),
            stands=not hasattr(consent, "superseded_by"),
        )
        for consent in consent_history(participant)
    ]


def to_ask_again(study: Study) -> list[Consent]:
    """Return the newest study consent of everybody on the path who signed only texts that no longer rule."""
    version = current_protocol(study).plan.consent_version
    standing = Consent.objects.filter(
        STANDS, participant__study=study, participant__status=Participant.Status.ACTIVE,
        kind=Consent.Kind.STUDY,
    )  # fmt: skip
    current = Consent.objects.filter(
        STANDS, participant=OuterRef("participant"), kind=Consent.Kind.STUDY, version=version
    )
    rows = standing.filter(~Exists(current)).order_by("participant_id", "-signed_at", "-id")
    return list(rows.distinct("participant_id").select_related("participant"))
