"""A study makes good what a restoration lost: allocation numbers compared with paper, then everything entered again."""

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.backups.models import MadeGood
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.services.gaps import ask_about_gap
from studylab.participants.services.checks import require_study, said


@service
def numbers_compared(*, row: MadeGood, note: str, actor: Actor) -> MadeGood:
    """Record what paper says about allocation numbers; from now on numbers are issued again, those of paper first."""
    current = _mine(row, actor)
    if current.numbers_at is not None:
        raise Conflict("Somebody else has compared the numbers already.")
    current.numbers_note = said(
        note, field="note", ask="Say what you looked at and what it tells: the last number, and whose it is."
    )  # fmt: skip
    current.numbers_at, current.numbers_by_id = clock.now(), actor.user_id
    current.save(update_fields=["numbers_at", "numbers_by", "numbers_note"])
    _told(current, Action.RESTORE_NUMBERS, current.numbers_note, actor)
    return current


@service
def entered_again(*, row: MadeGood, note: str, actor: Actor) -> int:
    """Record that everything since the backup is entered again; return how many messages a person is asked about.

    Messages that were due by now may have gone out before the site was restored: each becomes a question.
    """
    current = _mine(row, actor)
    if current.done_at is not None:
        raise Conflict("Somebody else has said so already.")
    if current.numbers_at is None:
        raise Refused("Compare the allocation numbers with paper first.")
    now = clock.now()
    current.note = said(
        note, field="note", ask="Say what was entered again, or that there was nothing."
    )
    current.done_at, current.done_by_id = now, actor.user_id
    current.save(update_fields=["done_at", "done_by", "note"])
    _told(current, Action.RESTORE_MADE_GOOD, current.note, actor)
    return ask_about_gap(current.study, now)


def _mine(row: MadeGood, actor: Actor) -> MadeGood:
    require(actor, Cap.MESSAGE_DECIDE)
    require_study(actor, row.study_id)
    if actor.user_id is None:
        raise NotAllowed("A person says this, never the house by itself.")
    current: MadeGood = lock(MadeGood, pk=row.pk)
    return current


def _told(row: MadeGood, action: Action, reason: str, actor: Actor) -> None:
    audit(
        actor=actor, action=action, subject_type="restoration", subject_code=row.uid, reason=reason
    )
