"""Putting messages into the outbox, and taking out what is not wanted any more."""

from collections.abc import Collection, Sequence
from datetime import datetime

from studylab import clock
from studylab.access import Actor
from studylab.db import insert_many, service
from studylab.outbox.gaps import MAY_BE_OUT, gaps_of
from studylab.outbox.kinds import Audience, Planned, kind_of
from studylab.outbox.models import Message
from studylab.outbox.rules.states import NEEDS_PERSON, OPEN, State
from studylab.outbox.selectors.timing import first_tries
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol


@service
def message_queue(
    *,
    kind: str,
    study: Study | None,
    participant: Participant | None = None,
    user: User | None = None,
    about: str,
    due_at: datetime,
    useful_until: datetime,
    key: str,
    language: str,
    actor: Actor,
) -> Message | None:
    """Queue a message for one addressee; None when `key` was queued before or it would be of no use any more.

    `about` names what it is about, such as "visit:123", for `message_drop`. The row belongs to the caller's
    transaction, so that a booking that is rolled back sends nothing. Nothing is sent from here: a tick finds it.
    """
    planned = Planned(
        kind=kind, study=study, participant=participant, user=user, about=about, due_at=due_at,
        useful_until=useful_until, key=key, language=language,
    )  # fmt: skip
    made = queue_rows([planned])
    return Message.objects.filter(uid=made[0].uid).first() if made else None


def queue_rows(messages: Sequence[Planned]) -> list[Message]:
    """Queue several inside the caller's transaction, in one statement.

    Returns the rows that were tried: those whose key was queued before are left out by the database.
    """
    rows = message_rows(messages)
    insert_many(rows, ignore_conflicts=True)
    return rows


def message_rows(
    messages: Sequence[Planned], *, current: CurrentProtocol | None = None
) -> list[Message]:
    """Return several that are not queued yet, for a caller that writes them with rows of its own.

    `current` is the protocol of now of their study, where they are all of one and the caller has it.
    """
    now = clock.now()
    for one in messages:
        audience = kind_of(one.kind).audience
        assert (one.participant is not None) == (audience == Audience.VOLUNTEER), one.kind
    useful = [one for one in messages if one.useful_until > max(now, one.due_at)]
    rows = [
        Message(
            kind=one.kind, study=one.study, participant=one.participant, user=one.user, invitation=one.invitation, about=one.about,
            key=one.key, language=one.language, queued_at=now, due_at=one.due_at,
            useful_until=one.useful_until, matters_until=one.matters_until or one.useful_until, next_at=first,
        )
        for one, first in zip(useful, first_tries(useful, now, current), strict=True)
    ]  # fmt: skip
    _ask_about_gaps(rows, now)
    return rows


def _ask_about_gaps(rows: Sequence[Message], now: datetime) -> None:
    """Make a question of what was due in a time of which the record knows nothing: it may have gone out."""
    past = [row for row in rows if row.participant_id and row.due_at <= now]  # a gap lies behind us
    gaps = gaps_of({row.study_id for row in past if row.study_id}) if past else []
    for row in past:
        if any(gap.study_id == row.study_id and gap.holds(row.due_at) for gap in gaps):
            row.state, row.note = State.QUESTION, MAY_BE_OUT


@service
def message_drop(
    *, study: Study, about: str, reason: str, kinds: tuple[str, ...] = (), keep: tuple[str, ...] = (),
    actor: Actor,
) -> int:  # fmt: skip
    """Drop what waits about `about` because it is not wanted any more; return how many.

    `kinds` narrows it to these kinds; messages whose key is in `keep` stay. What is being handed over at this moment
    cannot be called back.
    """
    return drop_rows(study, [about], reason, kinds=kinds, keep=keep)


def drop_rows(
    study: Study,
    about: Collection[str],
    reason: str,
    *,
    kinds: Collection[str] = (),
    keep: Collection[str] = (),
) -> int:
    """Drop what waits about several things inside the caller's transaction, for a person too; return how many."""
    rows = Message.objects.filter(study=study, about__in=about, state__in=[*OPEN, *NEEDS_PERSON])
    rows = rows.exclude(key__in=keep)
    if kinds:
        rows = rows.filter(kind__in=kinds)
    return rows.update(state=State.DROPPED, note=reason[:300], claim=None, claimed_until=None)
