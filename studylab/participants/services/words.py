"""What volunteers say by themselves, and what staff does about it. Words are kept as typed and never changed."""

import re
from dataclasses import dataclass
from uuid import UUID

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Hold, Participant, VolunteerWord, WordAct
from studylab.participants.services.checks import lock_participant, said
from studylab.participants.services.holds import hold_begin
from studylab.participants.services.links import require_holder

LONGEST, SHORT = 2000, 200
# C0 and C1 control characters but tab and line feed (ISO/IEC 6429): nothing that a person types on purpose.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
_Kind = VolunteerWord.Kind
_HOLDS = {_Kind.UNWELL: Hold.Kind.SYMPTOM, _Kind.MEDICINE: Hold.Kind.OTHER}


@dataclass(frozen=True, slots=True)
class Words:
    """What was typed: words, since when, and of a medicine how much."""

    text: str
    since: str = ""
    amount: str = ""


@service
def word_say(
    *, participant: Participant, kind: str, words: Words, key: UUID, actor: Actor
) -> VolunteerWord:
    """Keep what a volunteer says, and hold the next dose until a clinician has looked at it.

    Sent again with the same `key`, the first row is returned. It is heard whether they still take part or not.
    """
    require_holder(actor, participant)
    participant = lock_participant(participant, actor)
    if kind not in _HOLDS:
        raise Refused("There are no such words.", field="kind")
    found = VolunteerWord.objects.filter(key=key).first()
    if found is not None:
        return _the_same(found, participant, kind)
    plain = said(clean(words.text), field="text", ask="Write a few words.", most=LONGEST)
    since = said(clean(words.since), field="since", ask="Say since when.", most=SHORT)
    amount = clean(words.amount)[:SHORT]
    return word_keep(participant, VolunteerWord.Kind(kind), Words(plain, since, amount), key, actor)


def word_keep(
    participant: Participant, kind: VolunteerWord.Kind, words: Words, key: UUID, actor: Actor
) -> VolunteerWord:
    """Write the row inside a service's transaction that locked the volunteer."""
    hold = _hold(participant, kind, words, actor) if kind in _HOLDS else None
    word = VolunteerWord.objects.create(
        participant=participant, kind=kind, key=key, text=words.text, since=words.since,
        amount=words.amount, at=clock.now(), hold=hold,
    )  # fmt: skip
    _note(actor, Action.WORD_SAID, word)
    return word


@service
def word_take(*, word: VolunteerWord, actor: Actor) -> WordAct:
    """Note that somebody looks after it from now on; a further person may take it over."""
    return _act(word, WordAct.Kind.TAKEN, "", actor)


@service
def word_done(*, word: VolunteerWord, text: str, actor: Actor) -> WordAct:
    """Note what was done about it. A hold that it brought stays until a clinician releases it."""
    done = said(text, field="text", ask="Say what was done, and what the volunteer was told.")
    return _act(word, WordAct.Kind.DONE, done, actor)


def clean(text: str) -> str:
    """Return what was typed without control characters and space around it."""
    return _CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n")).strip()


def _act(word: VolunteerWord, kind: WordAct.Kind, text: str, actor: Actor) -> WordAct:
    require(actor, Cap.EVENT_RECORD)
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    lock_participant(word.participant, actor)
    word = lock(VolunteerWord, pk=word.pk)
    acts = list(word.acts.all())
    if any(act.kind == WordAct.Kind.DONE for act in acts):
        raise Conflict("Somebody else wrote down meanwhile what was done.")
    if kind == WordAct.Kind.TAKEN:
        mine = [act for act in acts if act.by_id == actor.user_id]
        if mine:
            return mine[0]
    act = WordAct.objects.create(
        word=word, kind=kind, text=text, at=clock.now(), by_id=actor.user_id
    )
    action = Action.WORD_TAKEN if kind == WordAct.Kind.TAKEN else Action.WORD_DONE
    _note(actor, action, word, text)
    return act


def _hold(participant: Participant, kind: VolunteerWord.Kind, words: Words, actor: Actor) -> Hold:
    """Open the hold that keeps the dose. Each has its own, so that each can become an adverse event."""
    reason = f"The volunteer wrote: {words.text}"
    reason += f" Since: {words.since}." + (f" How much: {words.amount}." if words.amount else "")
    return hold_begin(participant, _HOLDS[kind], reason, actor)


def _the_same(found: VolunteerWord, participant: Participant, kind: str) -> VolunteerWord:
    if found.participant_id != participant.pk or found.kind != kind:
        raise Conflict("This form was used already. Open the page again.")
    return found


def _note(actor: Actor, action: Action, word: VolunteerWord, reason: str = "") -> None:
    audit(
        actor=actor, action=action, subject_type="volunteer_word", subject_code=word.uid,
        participant_code=word.participant.code, study_id=word.participant.study_id, reason=reason,
        data={"kind": word.kind},
    )  # fmt: skip
