"""Keeping a half-typed set of readings, so that a reload, a dead tablet or a change of hands loses nothing.

Only beginning, taking over and emptying go on the trail: what is kept every few seconds is no act of its own, and the
set that comes of it is recorded as a whole.
"""

from collections.abc import Mapping, Sequence
from uuid import UUID

from screening.models import VitalDraft, VitalSet
from screening.selectors.vital_drafts import drafts_of
from screening.selectors.vitals import newest_vitals
from screening.services.check_records import Where, check_where
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant

MOST_FIELDS, LONGEST = 80, 600  # fields of the form and characters of one of them


@service
def draft_keep(
    *,
    participant: Participant,
    where: Where,
    content: Mapping[str, Sequence[str]],
    known: UUID | None = None,
    corrects: VitalSet | None = None,
    actor: Actor,
) -> VitalDraft:
    """Keep what stands in the form of a set now; return the draft.

    `known` is the draft that the page goes on with: refused once somebody else took that over. Also refused when a
    set was recorded after the page was opened, since a page that is left behind must not bring it back.
    """
    require(actor, Cap.VITALS_RECORD)
    assert actor.user_id is not None, "only somebody signed in types"
    participant = lock_participant(participant, actor)
    check_where(participant, where)
    _check_page(participant, where, content)
    draft = drafts_of(participant, where.gate, where.visit_uid, corrects)
    other = draft.filter(uid=known).exclude(holder_id=actor.user_id).first() if known else None
    if other is not None:
        raise Conflict(
            f"{other.holder.name} took over this half-typed set. What you type from here on is not kept."
        )
    kept = {
        str(name): [str(text)[:LONGEST] for text in texts]
        for name, texts in list(content.items())[:MOST_FIELDS]
    }
    now = clock.now()
    own = draft.filter(holder_id=actor.user_id).first()
    if own is not None:
        own.content, own.kept_at = kept, now
        own.save(update_fields=["content", "kept_at"])
        return own
    made = VitalDraft.objects.create(
        participant=participant, gate=where.gate, visit_uid=where.visit_uid, content=kept,
        corrects=corrects, holder_id=actor.user_id, begun_by_id=actor.user_id, begun_at=now, kept_at=now,
    )  # fmt: skip
    _note(made, Action.DRAFT_BEGUN, actor)
    return made


@service
def draft_take_over(*, draft: VitalDraft, actor: Actor) -> VitalDraft:
    """Make somebody else's half-typed set one's own; refused to who has one of their own for the same check."""
    require(actor, Cap.VITALS_RECORD)
    assert actor.user_id is not None, "only somebody signed in takes over"
    participant = lock_participant(draft.participant, actor)
    draft = _still_there(draft)
    if draft.holder_id == actor.user_id:
        return draft
    mine = drafts_of(participant, draft.gate, draft.visit_uid, draft.corrects).filter(
        holder_id=actor.user_id
    )
    if mine.exists():
        raise Conflict(
            "You have typed part of a set here yourself. Record or empty yours first, then take over the other."
        )
    before = draft.holder.name
    draft.holder_id = actor.user_id
    draft.save(update_fields=["holder"])
    _note(draft, Action.DRAFT_TAKEN_OVER, actor, before)
    return draft


@service
def draft_drop(*, draft: VitalDraft, actor: Actor) -> None:
    """Empty one's own half-typed set. Somebody else's is taken over first."""
    require(actor, Cap.VITALS_RECORD)
    lock_participant(draft.participant, actor)
    draft = _still_there(draft)
    if draft.holder_id != actor.user_id:
        raise Conflict(f"{draft.holder.name} types this set. Take it over first.")
    _note(draft, Action.DRAFT_DROPPED, actor)
    draft.delete()


def _still_there(draft: VitalDraft) -> VitalDraft:
    try:
        found: VitalDraft = lock(VitalDraft, pk=draft.pk)
    except VitalDraft.DoesNotExist as gone:
        raise Conflict("This half-typed set is gone: it was recorded or emptied.") from gone
    return found


def _check_page(
    participant: Participant, where: Where, content: Mapping[str, Sequence[str]]
) -> None:
    newest = newest_vitals(participant, where.gate, where.visit_uid)
    if next(iter(content.get("base", ())), "") != (str(newest.uid) if newest else ""):
        raise Conflict(
            "A set was recorded here after you opened the page. Look at it before you type another."
        )


def _note(draft: VitalDraft, action: Action, actor: Actor, before: str = "") -> None:
    audit(
        actor=actor,
        action=action,
        subject_type="vital_draft",
        subject_code=draft.uid,
        participant_code=draft.participant.code,
        data={"gate": draft.gate, "begun_at": draft.begun_at.isoformat()}
        | ({"from": before} if before else {}),
    )
