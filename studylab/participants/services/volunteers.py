"""Adding a volunteer, and telling the same person from a similar one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import connection
from django.db.models import Max

from studylab import clock, codes
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused, RefusedWithReasons
from studylab.participants.contact import box_seal, identity_keys
from studylab.participants.models import Consent, Contact, IdentityKey, Participant, Person
from studylab.participants.rules.details import ContactDetails, details_problems
from studylab.participants.selectors import Match, likely_matches
from studylab.participants.services.checks import require_study, said
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

_IDENTITY_LOCK = (
    7_302_117  # advisory lock: one comparison of identities at a time, over all studies
)


@dataclass(frozen=True, slots=True)
class DuplicateDecision:
    """A person's decision on likely duplicates: the same as `same_as`, or somebody else, with the reason."""

    same_as: UUID | None = None
    reason: str = ""


class DuplicateFound(RefusedWithReasons):
    """Somebody known may be the same person. `matches` says by what, and nothing else about them."""

    def __init__(self, matches: Sequence[Match]) -> None:
        super().__init__(
            "This may be somebody who is known already. Decide whether it is the same person.",
            [match.sentence for match in matches],
            code="likely_duplicate",
        )
        self.matches = tuple(matches)


@service
def participant_add(
    *,
    study: Study,
    details: ContactDetails,
    agreed_at: datetime | None,
    agreed_method: str,
    heard_from: str = "",
    language: str = "",
    decision: DuplicateDecision | None = None,
    actor: Actor,
) -> Participant:
    """Add a volunteer with their agreement to health questions, and give them a code.

    `agreed_at` is when they agreed, `agreed_method` "spoken" or "paper"; None and "" for somebody who is asked
    by a personal link, about whom nothing can be recorded until they agree there. Raises DuplicateFound when somebody
    known may be the same person and `decision` does not settle it, Refused at the field of a wrong detail.
    """
    require(actor, Cap.VOLUNTEER_ADD)
    require_study(actor, study.pk)
    lock_identities()
    study = lock(Study, pk=study.pk)
    if study.state == Study.State.CLOSED:
        raise Refused("The study is closed, so nobody can be added.")
    check_details(details, study)
    if agreed_method or agreed_at is not None:
        _check_agreement(agreed_at, agreed_method)
    matches = likely_matches(study, details)
    known = settle_duplicates(matches, decision)
    person = known or Person.objects.create(created_at=clock.now())
    contact_write(person, details)
    participant = _enrol(study, person, heard_from, _language(study, language), actor)
    if agreed_at is not None:
        _record_agreement(participant, agreed_at, agreed_method, actor)
    _note_addition(actor, participant, matches, decision)
    return participant


def _enrol(
    study: Study, person: Person, heard_from: str, language: str, actor: Actor
) -> Participant:
    """Give the person the next code of the study, whose row is locked."""
    serial = 1 + (Participant.objects.filter(study=study).aggregate(n=Max("serial"))["n"] or 0)
    try:
        code = codes.participant_code(serial, study.code_prefix)
    except ValueError as problem:
        raise Refused(f"No code can be given: {problem}") from None
    now = clock.now()
    return Participant.objects.create(
        study=study,
        person=person,
        code=code,
        serial=serial,
        status_at=now,
        heard_from=heard_from[:100],
        language=language,
        added_at=now,
        added_by_id=actor.user_id,
    )


def _record_agreement(
    participant: Participant, agreed_at: datetime, method: str, actor: Actor
) -> None:
    Consent.objects.create(
        participant=participant,
        kind=Consent.Kind.QUESTIONS,
        version=current_protocol(participant.study).plan.consent_version,
        method=method,
        signed_at=agreed_at,
        recorded_at=clock.now(),
        recorded_by_id=actor.user_id,
    )


def lock_identities() -> None:
    """Let one comparison of identities run at a time, so that two studies never add one person twice."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_IDENTITY_LOCK])


def check_details(details: ContactDetails, study: Study) -> None:
    """Raise Refused at the first field that is wrong."""
    today = clock.now().astimezone(ZoneInfo(study.timezone)).date()
    for field, problem in details_problems(details, today).items():
        raise Refused(problem, field=field)


def contact_write(person: Person, details: ContactDetails) -> None:
    """Seal the details and file the person under them. Former keys stay: a former name still finds them."""
    Contact.objects.update_or_create(
        person=person,
        defaults={
            "box": box_seal(details, person.uid), "changed_at": clock.now(), "erased_at": None,
        },
    )  # fmt: skip
    known = set(IdentityKey.objects.filter(person=person).values_list("kind", "digest"))
    IdentityKey.objects.bulk_create(
        IdentityKey(person=person, kind=kind, digest=digest)
        for kind, digest in identity_keys(details)
        if (kind, digest) not in known
    )


def settle_duplicates(
    matches: Sequence[Match], decision: DuplicateDecision | None
) -> Person | None:
    """Return the known person that this is, or None for somebody new.

    Raises DuplicateFound while undecided, Refused when the decision does not fit what was found.
    """
    if decision is None:
        if matches:
            raise DuplicateFound(matches)
        return None
    if decision.same_as is None:
        if matches:
            _require_reason(decision)
        return None
    chosen = next((match for match in matches if match.person_uid == decision.same_as), None)
    if chosen is None:
        raise Refused(
            "That person does not match these details any more. Look again.", field="decision"
        )
    if chosen.code:
        raise Refused(
            f"The same person is in this study already, as {chosen.code}. Nobody takes part twice.",
            field="decision",
        )
    if len(matches) > 1:
        _require_reason(decision)
    return Person.objects.get(uid=chosen.person_uid)


def note_overruling(
    actor: Actor, participant: Participant, matches: Sequence[Match], decision: DuplicateDecision
) -> None:
    """Write to the trail which likely matches were decided to be other people, and why."""
    others = [match for match in matches if match.person_uid != decision.same_as]
    if not others:
        return
    audit(
        actor=actor,
        action=Action.DUPLICATE_OVERRULED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        reason=decision.reason.strip(),
        data={
            "matched": [{"who": m.code or "known to the site", "by": list(m.kinds)} for m in others]
        },
    )


def _require_reason(decision: DuplicateDecision) -> None:
    said(
        decision.reason,
        field="decision_reason",
        ask="Say why they are different people, for example “twins, both were here”.",
        most=500,
    )


def _check_agreement(agreed_at: datetime | None, method: str) -> None:
    if method not in (Consent.Method.SPOKEN, Consent.Method.PAPER):
        raise Refused("Say how the volunteer agreed: spoken or on paper.", field="agreed_method")
    if agreed_at is None:
        raise Refused("Enter when the volunteer agreed.", field="agreed_at")
    if agreed_at > clock.now():
        raise Refused("This is later than now. Check date and time.", field="agreed_at")


def _language(study: Study, language: str) -> str:
    """Return the language wanted, or the study's first; Refused for one the study does not offer."""
    offered = study.languages or ["en"]
    if language and language not in offered:
        raise Refused("The study has no texts in this language.", field="language")
    return language or offered[0]


def _note_addition(
    actor: Actor,
    participant: Participant,
    matches: Sequence[Match],
    decision: DuplicateDecision | None,
) -> None:
    same_as = decision.same_as if decision else None
    audit(
        actor=actor,
        action=Action.VOLUNTEER_ADDED,
        subject_type="participant",
        subject_code=participant.code,
        participant_code=participant.code,
        data={"known_to_site": same_as is not None, "heard_from": participant.heard_from},
    )
    if decision is not None:
        note_overruling(actor, participant, matches, decision)
