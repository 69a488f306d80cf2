"""Drafts of study documents: begun, kept while somebody types, made a protocol version or a study, put away."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service, storable
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.services.roles import require_in
from studylab.studies.models import ProtocolDraft, ProtocolVersion, Study
from studylab.studies.rules.loader import LONGEST_DOCUMENT
from studylab.studies.selectors import newest_version
from studylab.studies.services import protocol_add, study_create

ELSEWHERE = (
    "This draft was changed in another window or by somebody else since this page was opened, so nothing is written "
    "over. Copy what you typed, open the draft anew, and put it in there."
)


def _require(study: Study | None, owner_id: int | None, actor: Actor) -> None:
    """Drafts of a study are the leads'; those of a study to come their owner's, who looks after accounts."""
    if study is not None:
        require_in(actor, Cap.SETUP_EDIT, study)
    elif actor.user_id is None or actor.user_id != owner_id or not actor.may(Cap.ACCOUNTS_MANAGE):
        raise NotAllowed("Only an account administrator begins a study.", code="study_draft")


@service
def draft_begin(
    *,
    study: Study | None,
    document: str,
    base: ProtocolVersion | None = None,
    slug: str = "",
    code_prefix: str = "",
    languages: Sequence[str] = ("en",),
    actor: Actor,
) -> ProtocolDraft:
    """Begin a draft for a new version of `study`, or without one for a new study with this short name."""
    _require(study, actor.user_id, actor)
    if actor.user_id is None:
        raise NotAllowed("Only a person writes a draft.", code="study_draft")
    if study is None and not slug:
        raise Refused("Give the study a short name.", field="slug")
    if study is None and Study.objects.filter(slug=slug).exists():
        raise Conflict(f"There is already a study called “{slug}”.", field="slug")
    now = clock.now()
    draft = ProtocolDraft.objects.create(
        study=study, owner_id=actor.user_id, base=base, slug=slug, code_prefix=code_prefix,
        languages=list(languages), document=_kept(document), begun_at=now, saved_at=now,
    )  # fmt: skip
    _note(draft, Action.PROTOCOL_DRAFT_BEGUN, actor)
    return draft


@service
def draft_save(
    *, draft: ProtocolDraft, document: str, revision: int, page: str, actor: Actor
) -> ProtocolDraft:
    """Keep the text as it stands, right or wrong. `page` names the open page, `revision` what it was opened with.

    The page that kept it last may go on; another one only when nothing was kept since it was opened.
    """
    _require(draft.study, draft.owner_id, actor)
    draft = _open(draft)
    if draft.page != page and draft.revision != revision and draft.document != document:
        raise Conflict(ELSEWHERE)
    draft.document, draft.page = _kept(document), storable(page)[:40]
    draft.revision, draft.saved_at = draft.revision + 1, clock.now()
    draft.save(update_fields=["document", "page", "revision", "saved_at"])
    return draft


@service
def draft_drop(*, draft: ProtocolDraft, actor: Actor) -> ProtocolDraft:
    """Put a draft away. It is kept, but nobody goes on with it."""
    _require(draft.study, draft.owner_id, actor)
    draft = _open(draft)
    _end(draft, None)
    _note(draft, Action.PROTOCOL_DRAFT_DROPPED, actor)
    return draft


@service
def draft_make_version(
    *,
    draft: ProtocolDraft,
    revision: int,
    note: str,
    approval_reference: str = "",
    approval_on: date | None = None,
    actor: Actor,
) -> ProtocolVersion:
    """Make the draft the study's next version. Raises ProtocolInvalid; Conflict when a newer version came meanwhile."""
    assert draft.study is not None, "a study that does not exist yet is made by draft_make_study"
    _require(draft.study, draft.owner_id, actor)
    draft = _seen(draft, revision)
    study: Study = lock(Study, pk=draft.study_id)
    newest = newest_version(study)
    if newest is not None and draft.base_id is not None and newest.pk != draft.base_id:
        raise Conflict(
            f"Version {newest.number} was added since this draft was begun. Begin a new draft from it, and put your "
            "changes in there."
        )
    version = protocol_add(
        study=study, document=draft.document, note=note, approval_reference=approval_reference,
        approval_on=approval_on, actor=actor,
    )  # fmt: skip
    _end(draft, version)
    return version


@service
def draft_make_study(
    *,
    draft: ProtocolDraft,
    revision: int,
    slug: str,
    code_prefix: str,
    languages: Sequence[str],
    actor: Actor,
) -> Study:
    """Make a study of the draft, with the draft as its version 1; its lead is invited. Raises ProtocolInvalid."""
    assert draft.study_id is None, "a version of a study is made by draft_make_version"
    _require(None, draft.owner_id, actor)
    draft = _seen(draft, revision)
    study = study_create(
        document=draft.document, code_prefix=code_prefix, slug=slug, languages=tuple(languages),
        actor=actor,
    )  # fmt: skip
    _end(draft, study.protocol_versions.get(number=1))
    return study


def _open(draft: ProtocolDraft) -> ProtocolDraft:
    found: ProtocolDraft = lock(ProtocolDraft, pk=draft.pk)
    if found.ended_at is not None:
        raise Conflict(
            "This draft is a version already."
            if found.version_id
            else "This draft was put away; begin a new one."
        )
    return found


def _seen(draft: ProtocolDraft, revision: int) -> ProtocolDraft:
    draft = _open(draft)
    if draft.revision != revision:
        raise Conflict("The draft changed since you read it here. Look at it as it stands now.")
    return draft


def _end(draft: ProtocolDraft, version: ProtocolVersion | None) -> None:
    draft.ended_at, draft.version = clock.now(), version
    draft.save(update_fields=["ended_at", "version"])


def _kept(document: str) -> str:
    """Return the text with plain line ends, as it can be stored."""
    text = document.replace("\r\n", "\n").replace("\r", "\n")
    if len(text) > LONGEST_DOCUMENT:
        raise Refused(f"Keep the document under {LONGEST_DOCUMENT} characters.", field="document")
    if "\x00" in text:
        raise Refused("The text holds a sign that cannot be stored (NUL).", field="document")
    return text


def _note(draft: ProtocolDraft, action: Action, actor: Actor) -> None:
    data: dict[str, Any] = {"short_name": draft.slug} if draft.slug else {}
    audit(
        actor=actor, action=action, subject_type="protocol_draft", subject_code=draft.uid,
        study_id=draft.study_id, data=data,
    )  # fmt: skip
