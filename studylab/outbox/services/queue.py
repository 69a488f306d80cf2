"""Putting messages into the outbox, and taking out what is not wanted any more."""

from datetime import datetime

from studylab import clock
from studylab.access import Actor
from studylab.db import service
from studylab.outbox.kinds import Audience, kind_of
from studylab.outbox.models import Message
from studylab.outbox.rules.states import OPEN, State
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.studies.models import Study


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
    audience = kind_of(kind).audience
    assert (participant is not None) == (audience == Audience.VOLUNTEER), "a kind has one audience"
    now = clock.now()
    if useful_until <= max(now, due_at):
        return None
    made = Message.objects.bulk_create(
        [
            Message(
                kind=kind, study=study, participant=participant, user=user, about=about, key=key,
                language=language, queued_at=now, due_at=due_at, useful_until=useful_until,
                next_at=due_at,
            )
        ],
        ignore_conflicts=True,
    )  # fmt: skip
    # What a conflict left out has no key of its own, so look whose row it is.
    return Message.objects.filter(uid=made[0].uid).first()


@service
def message_drop(
    *, study: Study, about: str, reason: str, kinds: tuple[str, ...] = (), keep: tuple[str, ...] = (),
    actor: Actor,
) -> int:  # fmt: skip
    """Drop what waits about `about` because it is not wanted any more; return how many.

    `kinds` narrows it to these kinds; messages whose key is in `keep` stay. What is being handed over at this moment
    cannot be called back.
    """
    rows = Message.objects.filter(study=study, about=about, state__in=OPEN).exclude(key__in=keep)
    if kinds:
        rows = rows.filter(kind__in=kinds)
    return rows.update(state=State.DROPPED, note=reason[:300], claim=None, claimed_until=None)
