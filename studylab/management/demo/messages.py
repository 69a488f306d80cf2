"""What became of messages, own words for one kind of them, and what was read of the notices.

The demonstration sends nothing. What a mail server would have answered is written down as a worker does it: an attempt,
its end, and where the message stands then.
"""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from uuid import uuid4

from django.db.models import F

from studylab import clock
from studylab.access import system_actor
from studylab.management.demo.lab import Lab
from studylab.notices.selectors.needs import things_for
from studylab.notices.services.reading import notices_read
from studylab.notices.services.standing import notices_stand
from studylab.outbox.compose import mail_key
from studylab.outbox.models import Attempt, AttemptEnd, Message
from studylab.outbox.rules.return_path import token_of
from studylab.outbox.rules.states import Outcome, State
from studylab.outbox.rules.words import Words
from studylab.outbox.services.deciding import message_decide
from studylab.outbox.services.reach import reach_write
from studylab.outbox.services.sending import INTERRUPTED
from studylab.outbox.services.undelivered import report_take, undelivered_settle
from studylab.outbox.services.wording import wording_write

_TAKEN = "250 2.0.0 Taken"
_REFUSED = "550 5.1.1 <[address]>: no such mailbox"
_WORDS = {
    "en": Words(
        "A short call from the Harbour Memory Lab",
        "Hello,\n\nWe will call you for a few minutes:\n{when}\n\nDoes another time suit you better? Call {phone}, at any hour.\n\nThe Harbour Memory Lab",
        "We will call you for a few minutes: {when}. Another time? {phone}",
    ),
    "fr-ca": Words(
        "Un court appel du Laboratoire de mémoire du port",
        "Bonjour,\n\nNous vous appellerons quelques minutes :\n{when}\n\nUn autre moment vous convient mieux? Appelez le {phone}, à toute heure.\n\nLe Laboratoire de mémoire du port",
        "Nous vous appellerons quelques minutes : {when}. Un autre moment? {phone}",
    ),
}  # fmt: skip


def told(lab: Lab, at: Callable[..., datetime]) -> None:
    """Tell what became of every message that was due, then what people did about some of them."""
    now = at(0, 12, 36)
    due = Message.objects.filter(study=lab.study, state=State.WAITING, next_at__lte=now)
    due = due.exclude(participant=None).select_related("participant").order_by("next_at", "id")
    # One each of people whose visit is still to come: nobody knows, refused, refused and decided; the rest went out.
    theirs = {row.participant_id: row for row in due if row.matters_until > now + timedelta(hours=3)}  # fmt: skip
    open_ones = list(theirs.values())
    unclear, refused, decided, others = open_ones[:1], open_ones[1:2], open_ones[2:3], open_ones[3:]
    apart = {row.pk for row in (*unclear, *refused, *decided)}
    _end([row for row in due if row.pk not in apart], Outcome.SENT, State.SENT, _TAKEN)
    _end(unclear, Outcome.UNKNOWN, State.QUESTION, INTERRUPTED)
    _end([*refused, *decided], Outcome.REFUSED, State.REFUSED, _REFUSED)
    for row in decided:
        with clock.travel(at(0, 9, 40)):
            message_decide(
                message=row, decision="sent", actor=lab.actor("coordinator"),
                note="Called, knows the time. The address had a letter too many.",
            )  # fmt: skip
    for row, tell in zip(others, (_full_mailbox, _wrong_address, _wants_short), strict=False):
        tell(lab, row, at)
    _worded(lab, at)
    _read(lab, at)


def _end(rows: Sequence[Message], outcome: Outcome, state: State, answer: str) -> None:
    """Write one attempt for each message at the time of its first try, and where the message stands after it."""
    some = Message.objects.filter(pk__in=[row.pk for row in rows])
    some.update(state=State.CLAIMED, claim=uuid4(), claimed_until=F("next_at") + timedelta(minutes=10))  # fmt: skip
    some.update(state=State.SENDING, attempts=1)
    tries = Attempt.objects.bulk_create(
        Attempt(message=row, number=1, begun_at=row.next_at) for row in rows
    )
    if outcome != Outcome.UNKNOWN:
        AttemptEnd.objects.bulk_create(
            AttemptEnd(attempt=one, ended_at=one.begun_at, outcome=outcome, answer=answer) for one in tries
        )  # fmt: skip
    sent = state == State.SENT
    some.update(
        state=state, claim=None, claimed_until=None, note="" if sent else answer, sent_at=F("next_at") if sent else None,
    )  # fmt: skip


def _full_mailbox(lab: Lab, message: Message, at: Callable[..., datetime]) -> None:
    """A mail that came back, and somebody called."""
    assert message.participant is not None, "only messages to volunteers"
    with clock.travel(at(0, 8, 50)):
        report_take(_report(message, "5.2.2"))
    with clock.travel(at(0, 9, 30)):
        undelivered_settle(
            participant=message.participant, how="reached", actor=lab.actor("coordinator")
        )


def _wrong_address(lab: Lab, message: Message, at: Callable[..., datetime]) -> None:
    """A mail that came back since nobody is known at this address; it waits for somebody."""
    with clock.travel(at(0, 12, 20)):
        report_take(_report(message, "5.1.1"))


def _report(message: Message, status: str) -> bytes:
    """Return the report of a mail system about one mail (RFC 3464)."""
    return (
        'Content-Type: multipart/report; report-type=delivery-status; boundary="XX"\r\n\r\n'
        "--XX\r\nContent-Type: message/delivery-status\r\n\r\n"
        "Reporting-MTA: dns; mx.mail.example\r\n\r\n"
        f"Final-Recipient: rfc822; somebody@mail.example\r\nAction: failed\r\nStatus: {status}\r\n\r\n"
        "--XX\r\nContent-Type: text/rfc822-headers\r\n\r\n"
        f"Message-ID: <{token_of(message.pk, mail_key())}@lab.example>\r\n\r\n--XX--\r\n"
    ).encode()


def _wants_short(lab: Lab, message: Message, at: Callable[..., datetime]) -> None:
    """Somebody who asked for short messages."""
    assert message.participant is not None, "only messages to volunteers"
    with clock.travel(at(0, 10, 10)):
        reach_write(
            participant=message.participant, channel="short", short_agreed=True, zone="", said_at=clock.now(),
            seen=0, actor=lab.actor("coordinator"),
        )  # fmt: skip


def _worded(lab: Lab, at: Callable[..., datetime]) -> None:
    """The study's own words for the call after the dose, in both languages."""
    for hour, (language, words) in enumerate(_WORDS.items(), start=9):
        if language == "en" or language in lab.study.languages:
            with clock.travel(at(-9, hour)):
                wording_write(
                    study=lab.study, kind="contact_ahead", language=language, words=words, seen=0,
                    actor=lab.actor("lead"),
                )  # fmt: skip


def _read(lab: Lab, at: Callable[..., datetime]) -> None:
    """Let things stand since noon; coordinator and clinician have read the first few of theirs."""
    for minute in (0, 32):
        with clock.travel(at(0, 12, minute)):
            notices_stand(study=lab.study, actor=system_actor("notices"))
    for who, many in (("coordinator", 4), ("clinician", 2)):
        actor = lab.actor(who)
        with clock.travel(at(0, 12, 34)):
            things = things_for(lab.study, actor.roles, clock.now())[:many]
            notices_read(
                study=lab.study, things=[(one.key, one.state) for one in things], actor=actor
            )
