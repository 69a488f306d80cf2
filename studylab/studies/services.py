"""Writing studies and their protocol versions."""

import re
from datetime import date

from django.views.decorators.debug import sensitive_variables

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.people.models import User
from studylab.people.selectors import today_in
from studylab.people.services.roles import require_in
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.close_hooks import still_open
from studylab.studies.confirm_hooks import tell_confirmed
from studylab.studies.document_checks import checked_protocol
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import (
    limits_content,
    needs_approval,
    newest_version,
    plan_of,
)

LIMITS_MEANING = "I have read every limit of this protocol version and confirm them for this study"

# From -> to. A closed study stays closed.
_MOVES = {
    Study.State.SETUP: {Study.State.OPEN, Study.State.CLOSED},
    Study.State.OPEN: {Study.State.PAUSED, Study.State.CLOSED},
    Study.State.PAUSED: {Study.State.OPEN, Study.State.CLOSED},
    Study.State.CLOSED: set(),
}
_NEEDS_REASON = {Study.State.PAUSED, Study.State.CLOSED}


@service
def study_create(
    *,
    document: str,
    code_prefix: str,
    slug: str = "",
    languages: tuple[str, ...] = ("en",),
    actor: Actor,
) -> Study:
    """Make a study in set-up from a protocol document, its version 1. Whoever makes it is not its lead.

    `code_prefix` is one to three capital letters that begin every volunteer's code. Raises ProtocolInvalid.
    """
    _require_creator(actor)
    plan = checked_protocol(document)
    if not re.fullmatch("[A-Z]{1,3}", code_prefix):
        raise Refused("A code begins with one to three capital letters.", field="code_prefix")
    slug = slug or plan.slug
    if Study.objects.filter(slug=slug).exists():
        raise Conflict(f"There is already a study called “{slug}”.", field="slug")
    study = Study.objects.create(
        slug=slug, title=plan.title, short_title=plan.short_title, timezone=plan.timezone,
        code_prefix=code_prefix, created_at=clock.now(), languages=list(languages),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.STUDY_CREATED, subject_type="study", subject_code=slug,
        study_id=study.pk, data={"title": plan.title},
    )  # fmt: skip
    version_write(study=study, document=document, number=1, actor=actor)
    return study


def _require_creator(actor: Actor) -> None:
    """A study is made by a lead of another one, or by an account administrator, who needs no role for it."""
    if not actor.may(Cap.SETUP_EDIT) and not actor.may(Cap.ACCOUNTS_MANAGE):
        raise NotAllowed("Only an account administrator begins a study.", code="study_create")


@service
def protocol_add(
    *,
    study: Study,
    document: str,
    note: str = "",
    approval_reference: str = "",
    approval_on: date | None = None,
    actor: Actor,
) -> ProtocolVersion:
    """Add a protocol version, unconfirmed; the last confirmed one stays in force until this one is.

    Raises ProtocolInvalid with everything that is wrong in the document.
    """
    require_in(actor, Cap.SETUP_EDIT, study)
    plan = checked_protocol(document)
    study = lock(Study, pk=study.pk)
    if plan.timezone != study.timezone:
        raise Refused(
            f"timezone: this study lives in {study.timezone}, the document says {plan.timezone}. A study "
            "keeps its time zone.",
            field="document",
        )
    newest = newest_version(study)
    if newest is not None and newest.sha256 == protocol_hash(document):
        raise Refused(f"This is word for word version {newest.number}.", field="document")
    return version_write(
        study=study, document=document, number=newest.number + 1 if newest else 1, actor=actor,
        note=note, approval_reference=approval_reference, approval_on=approval_on,
    )  # fmt: skip


def version_write(
    *,
    study: Study,
    document: str,
    number: int,
    actor: Actor,
    note: str = "",
    approval_reference: str = "",
    approval_on: date | None = None,
) -> ProtocolVersion:
    """Keep a document as the study's next version, inside the caller's transaction."""
    version = ProtocolVersion.objects.create(
        study=study, number=number, document=document, sha256=protocol_hash(document), note=note,
        approval_reference=approval_reference, approval_on=approval_on, added_at=clock.now(),
        added_by_id=actor.user_id,
    )  # fmt: skip
    audit(
        actor=actor, action=Action.PROTOCOL_ADDED, subject_type="protocol_version", subject_code=number,
        study_id=study.pk, reason=note, data={"sha256": version.sha256},
    )  # fmt: skip
    return version


@sensitive_variables("password")
def limits_confirm(
    *,
    version: ProtocolVersion,
    password: str,
    approval_reference: str = "",
    approval_on: date | None = None,
    actor: Actor,
) -> ProtocolVersion:
    """Confirm a version's limits by the clinician's signature; from then on the version is in force.

    Only the newest version, and only once. The signature is bound to the document's digest and every limit.
    Limits that differ from confirmed ones need the reference and day of their approval, given with the
    version or here.
    """
    require_in(actor, Cap.LIMITS_CONFIRM, version.study)
    user = check_password(
        actor=actor, password=password, subject_type="protocol_version", subject_code=version.number
    )
    return _confirmed(
        version=version, user=user, reference=approval_reference.strip(), approved=approval_on,
        actor=actor,
    )  # fmt: skip


@service
def _confirmed(
    *,
    version: ProtocolVersion,
    user: User,
    reference: str,
    approved: date | None,
    actor: Actor,
) -> ProtocolVersion:
    study: Study = lock(Study, pk=version.study_id)  # no newer version meanwhile
    version = lock(ProtocolVersion, pk=version.pk)
    if version.confirmed_at is not None:
        raise Conflict(f"Version {version.number} is confirmed already.")
    newest = newest_version(study)
    if newest is not None and newest.pk != version.pk:
        raise Refused(f"Version {newest.number} is newer. Read and confirm that one.")
    if version.sha256 != protocol_hash(version.document):
        raise Refused("The stored document does not fit its digest. Add it again as a new version.")
    version.approval_reference = version.approval_reference or reference
    version.approval_on = version.approval_on or approved
    _check_approval(version)
    signature = signature_write(
        actor=actor, user=user, meaning=LIMITS_MEANING, subject_type="protocol_version",
        subject_code=version.number, content=limits_content(version),
    )  # fmt: skip
    version.confirmed_at, version.confirmation = signature.signed_at, signature
    version.save(
        update_fields=["confirmed_at", "confirmation", "approval_reference", "approval_on"]
    )
    _take_titles(study, plan_of(version))
    audit(
        actor=actor, action=Action.LIMITS_CONFIRMED, subject_type="protocol_version",
        subject_code=version.number, data={"sha256": version.sha256},
    )  # fmt: skip
    tell_confirmed(study.pk)
    return version


def _check_approval(version: ProtocolVersion) -> None:
    """Refuse changed limits without the reference and day of their approval."""
    if not needs_approval(version):
        return
    if not version.approval_reference:
        raise Refused(
            "These limits differ from the confirmed ones. Give the reference of their approval.",
            field="approval_reference",
        )
    if version.approval_on is None or version.approval_on > today_in(version.study.timezone):
        raise Refused("Give the day of the approval, today or earlier.", field="approval_on")


def _take_titles(study: Study, plan: Protocol) -> None:
    if (study.title, study.short_title) != (plan.title, plan.short_title):
        study.title, study.short_title = plan.title, plan.short_title
        study.save(update_fields=["title", "short_title"])


@service
def study_state_set(*, study: Study, state: str, reason: str = "", actor: Actor) -> Study:
    """Open, pause, resume or close a study. Pausing and closing need a reason."""
    require_in(actor, Cap.SETUP_EDIT, study)
    study = lock(Study, pk=study.pk)
    wanted = Study.State(state)
    if wanted == study.state:
        raise Conflict(f"The study is {wanted.label} already.", field="state")
    if wanted not in _MOVES[Study.State(study.state)]:
        raise Refused(
            f"A study that is {study.get_state_display()} cannot become {wanted.label}.",
            field="state",
        )
    if wanted in _NEEDS_REASON and not reason.strip():
        raise Refused("Say why.", field="reason")
    left = still_open(study) if wanted == Study.State.CLOSED else []
    if left:
        raise RefusedWithReasons("The study cannot be closed yet.", left, code="study_open_ends")
    before, study.state = study.state, wanted
    study.save(update_fields=["state"])
    audit(
        actor=actor, action=Action.STUDY_STATE_CHANGED, subject_type="study", subject_code=study.slug,
        study_id=study.pk, reason=reason, data={"from": before, "to": wanted.value},
    )  # fmt: skip
    return study


def moves_from(state: str) -> list[tuple[str, str]]:
    """Return the states a study may go to, as choices."""
    return [(to.value, to.label) for to in Study.State if to in _MOVES[Study.State(state)]]
