"""From a row to a mail server and back, so that a worker that dies leads to one message at most.

A row is claimed by a conditional update. Before the content is handed over it says "sending", and after it what the
server answered. Whoever is interrupted between the two leaves a question to a person.
"""

import logging
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from functools import cache
from uuid import uuid4

from django.db import DatabaseError, connection, transaction
from django.db.models import Q, QuerySet

from studylab import clock
from studylab.errors import StudylabError
from studylab.outbox.channels.mail import envelope_address, mail_bytes
from studylab.outbox.channels.short import ShortReady
from studylab.outbox.channels.smtp import HandOver, Ready, SmtpChannel
from studylab.outbox.compose import compose
from studylab.outbox.gaps import held_studies
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Attempt, AttemptEnd, Message
from studylab.outbox.rules.retry import next_try
from studylab.outbox.rules.states import OPEN, Outcome, State
from studylab.outbox.services.undelivered import mark_refused
from studylab.outbox.texting import gateway, mail_is_on

log = logging.getLogger(__name__)

LEASE = timedelta(minutes=10)  # longer than anything a worker does with one message
MOST_CLAIMED = 2000
LOOK_AGAIN = timedelta(minutes=15)  # at what can only go by mail while there is no mail server
PATIENCE = 60.0  # seconds for which the database may be away when the outcome is written
TOO_LATE = "It could not be sent while it was of use."
NO_SERVER = "It can only go by mail now, and this site has no mail server."
INTERRUPTED = "The worker was interrupted while the message was being handed over: it may have gone out or not."  # fmt: skip
USED_UP = "Not sent after {attempts} tries. The last answer: {answer}"
_CLAIM = """
    UPDATE outbox_message SET state = 'claimed', claim = %s, claimed_until = %s
    WHERE id IN (
        SELECT id FROM outbox_message WHERE state = 'waiting' AND next_at <= %s
        AND NOT (participant_id IS NOT NULL AND study_id = ANY(%s)) AND (%s OR (
            SELECT short_agreed FROM outbox_reach WHERE participant_id = outbox_message.participant_id
            ORDER BY id DESC LIMIT 1
        ))
        ORDER BY next_at, id LIMIT %s FOR UPDATE SKIP LOCKED
    ) AND state = 'waiting'
    RETURNING id
"""


def claim_due(now: datetime) -> list[int]:
    """Claim waiting messages that are due; return their numbers, each to one caller only.

    Those to volunteers of a study that has not made good a restoration wait (`studylab.outbox.gaps`).
    Without a mail server only those to volunteers who agreed to short messages, and none without a gateway either.
    """
    room, mail = MOST_CLAIMED - Message.objects.filter(state=State.CLAIMED).count(), mail_is_on()
    if room <= 0 or not (mail or gateway()):
        return []
    with connection.cursor() as cursor:
        cursor.execute(_CLAIM, [uuid4(), now + LEASE, now, held_studies(), mail, room])
        return sorted(row[0] for row in cursor.fetchall())


def end_too_late(now: datetime) -> int:
    """Mark what waited until it was of no use any more; return how many."""
    rows = Message.objects.filter(state=State.WAITING, useful_until__lte=now)
    return rows.update(state=State.TOO_LATE, note=TOO_LATE)


def release_lapsed(now: datetime) -> int:
    """Let what a worker claimed and never began wait again; return how many."""
    rows = Message.objects.filter(_lapsed(now), state=State.CLAIMED)
    return _let_wait(rows)


def unclaim(numbers: Sequence[int]) -> int:
    """Let claimed messages wait again whose knock nobody took; return how many."""
    return _let_wait(Message.objects.filter(pk__in=numbers, state=State.CLAIMED))


def _let_wait(rows: QuerySet[Message]) -> int:
    """Let rows wait again. They stay due since when they were: a clock that is wrong now puts them off no further."""
    return rows.update(state=State.WAITING, claim=None, claimed_until=None)


def ask_about_interrupted(now: datetime) -> int:
    """Make a question of every message whose worker died while handing it over; return how many."""
    rows = Message.objects.filter(_lapsed(now), state=State.SENDING)
    return rows.update(state=State.QUESTION, note=INTERRUPTED, claim=None, claimed_until=None)


def _lapsed(now: datetime) -> Q:
    """Lapsed leases, and those that end later than any could because the clock was put back."""
    return Q(claimed_until__lte=now) | Q(claimed_until__gt=now + LEASE)


def send(message_id: int) -> State | None:
    """Send a claimed message; return where it stands then, None when there was nothing to do.

    Called twice for the same message it does nothing the second time. Nothing that concerns one message ends the worker.
    """
    rows = Message.objects.select_related(
        "study", "participant__person", "participant__study", "user", "invitation__sent_by"
    )
    message = rows.filter(pk=message_id, state=State.CLAIMED).first()
    if message is None:
        return None
    now = clock.now()
    if message.useful_until <= now:
        return _end_unsent(message, State.TOO_LATE, TOO_LATE)
    try:
        reason = kind_of(message.kind).wanted(message, now)
        if reason:
            return _end_unsent(message, State.DROPPED, reason)
        ready = _ready(message, now)
        if ready is None:
            return _put_off(message, now)
    except HandOver as told:
        attempt = _begin(message)
        return _finish(message, attempt, told.outcome, told.answer) if attempt else None
    except StudylabError as problem:
        return _end_unsent(message, State.FAILED, problem.message)
    except DatabaseError:
        raise  # says nothing about the message: it is found again when its claim lapses
    except Exception:
        log.exception("message %s could not be made", message.pk)
        return _end_unsent(
            message, State.FAILED, "Something went wrong while the message was made."
        )
    return _hand_over(message, ready)


@cache
def _channel() -> SmtpChannel:
    """Return the connection of this process."""
    return SmtpChannel()


def _ready(message: Message, now: datetime) -> Ready | ShortReady | None:
    """Return what only has to be handed over; None while there is no way for it."""
    composed = compose(message)
    if composed.short_to:
        return ShortReady(composed.short_to, composed.short, str(message.uid))
    if not mail_is_on():
        return None
    content = mail_bytes(composed, now)
    return _channel().prepare(composed.return_path, envelope_address(composed.to), content)


def _hand_over(message: Message, ready: Ready | ShortReady) -> State | None:
    attempt = None
    try:
        attempt = _begin(message)
    finally:
        if (
            attempt is None
        ):  # dropped meanwhile, another worker was quicker, or the database is away
            ready.leave()  # the server still has this addressee in mind, and would refuse the next
    if attempt is None:
        return None
    outcome, answer = ready.send()
    return _patiently(lambda: _finish(message, attempt, outcome, answer))


def _begin(message: Message) -> Attempt | None:
    """Write down that the content is handed over now; None when it must not be.

    That stands on the disk before anything leaves, also on a server that is set not to wait for it: a crash would
    take the row back, and the message would go out again.
    """
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL synchronous_commit TO on")
        mine = Message.objects.filter(pk=message.pk, state=State.CLAIMED, attempts=message.attempts)
        now = clock.now()
        began = mine.update(
            state=State.SENDING, attempts=message.attempts + 1, claim=uuid4(), claimed_until=now + LEASE
        )  # fmt: skip
        if not began:
            return None
        message.attempts += 1
        return Attempt.objects.create(message=message, number=message.attempts, begun_at=now)


def _finish(message: Message, attempt: Attempt, outcome: Outcome, answer: str) -> State | None:
    """Write down what became of an attempt. One that was only slow settles the question it left."""
    now = clock.now()
    with transaction.atomic():
        row = Message.objects.select_for_update().get(pk=message.pk)
        if AttemptEnd.objects.filter(attempt=attempt).exists():
            return State(
                row.state
            )  # written before, and the database went away before it could say so
        AttemptEnd.objects.create(attempt=attempt, ended_at=now, outcome=outcome, answer=answer)
        asked = row.state == State.QUESTION and outcome == Outcome.SENT
        if row.attempts != attempt.number or not (row.state == State.SENDING or asked):
            return None
        row.claim = row.claimed_until = None
        _conclude(row, outcome, answer, now)
        if outcome == Outcome.REFUSED:
            mark_refused(row, answer)
        row.save(
            update_fields=["state", "note", "sent_at", "next_at", "claim", "claimed_until"]
        )  # fmt: skip
        return State(row.state)


def _conclude(row: Message, outcome: Outcome, answer: str, now: datetime) -> None:
    """Set where a message stands after an attempt."""
    again = next_try(row.attempts, now, row.useful_until)
    if outcome == Outcome.SENT:
        row.state, row.sent_at, row.note = State.SENT, now, ""
    elif outcome == Outcome.LATER and again:
        row.state, row.next_at, row.note = State.WAITING, again, answer
    elif outcome == Outcome.LATER:
        row.state = State.FAILED
        row.note = USED_UP.format(attempts=row.attempts, answer=answer)[:300]
    else:
        row.state = State.REFUSED if outcome == Outcome.REFUSED else State.QUESTION
        row.note = answer


def _end_unsent(message: Message, state: State, note: str) -> State | None:
    """End a message of which nothing has left; None when it was ended otherwise meanwhile."""
    rows = Message.objects.filter(pk=message.pk, state__in=OPEN)
    return state if rows.update(state=state, note=note[:300], claim=None, claimed_until=None) else None  # fmt: skip


def _put_off(message: Message, now: datetime) -> State | None:
    """Let a message wait that has no way now; None when it was ended meanwhile."""
    rows = Message.objects.filter(pk=message.pk, state=State.CLAIMED)
    again = {
        "state": State.WAITING,
        "claim": None,
        "claimed_until": None,
        "next_at": now + LOOK_AGAIN,
    }
    return State.WAITING if rows.update(note=NO_SERVER, **again) else None


def _patiently(write: Callable[[], State | None]) -> State | None:
    """Write what is known although the database may be away for a moment; else the sweep makes a question of it."""
    until, wait = time.monotonic() + PATIENCE, 0.2
    while True:
        try:
            return write()
        except DatabaseError:
            if time.monotonic() > until or connection.in_atomic_block:
                raise
            connection.close()
            time.sleep(wait)
            wait = min(wait * 2, 5.0)
