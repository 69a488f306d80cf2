"""Taking reports of mails that were not delivered, and looking after them."""

from studylab import clock
from studylab.access import Actor, Cap, require, system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import insert_many, service
from studylab.errors import Conflict, NotAllowed
from studylab.outbox.compose import mail_keys
from studylab.outbox.models import Message, Settled, Undelivered
from studylab.outbox.models.undelivered import REFUSED
from studylab.outbox.rules.delivery import Outcome, read_report
from studylab.outbox.rules.refusal import about_address, status_in
from studylab.outbox.rules.return_path import number_in
from studylab.outbox.selectors.undelivered import bad_address, open_of
from studylab.participants.models import Participant
from studylab.participants.services.checks import lock_participant

NO_REPORT, NOT_OURS, NOTHING_NEW, TAKEN = "no report", "not ours", "nothing new", "taken"


def report_take(content: bytes) -> str:
    """Take one mail that came back; return what it was: "taken", "nothing new", "not ours" or "no report".

    Only a report by RFC 3464 that carries a right token of ours changes anything, and each outcome counts once.
    """
    report = read_report(content)
    if report is None:
        return NO_REPORT
    found = (number_in(report.carriers, key) for key in mail_keys())
    number = next((one for one in found if one is not None), None)
    message = Message.objects.filter(pk=number).select_related("participant").first() if number else None  # fmt: skip
    if message is None:
        return NOT_OURS
    news = [
        _record(message=message, outcome=outcome, actor=system_actor("returned mail"))
        for outcome in report.outcomes
        if outcome.action in ("failed", "delayed")
    ]
    return TAKEN if any(news) else NOTHING_NEW


@service
def _record(*, message: Message, outcome: Outcome, actor: Actor) -> bool:
    """Record an outcome; return whether it was new."""
    row, made = Undelivered.objects.get_or_create(
        message=message, action=outcome.action, status=outcome.status,
        defaults={"failed": outcome.failed, "bad_address": outcome.bad_address, "recorded_at": clock.now()},
    )  # fmt: skip
    if made:
        _note(row, actor)
    return made


def _note(row: Undelivered, actor: Actor) -> None:
    message, person = row.message, row.message.participant
    audit(
        actor=actor, action=Action.MESSAGE_CAME_BACK, subject_type="message", subject_code=message.uid,
        participant_code=person.code if person else "", study_id=message.study_id,
        data={"action": row.action, "status": row.status},
    )  # fmt: skip


def mark_refused(message: Message, answer: str) -> None:
    """Mark a volunteer's address that a mail server refused for good, inside the transaction that ends the attempt."""
    person = message.participant
    if person is None or not about_address(answer):
        return
    row = Undelivered.objects.create(
        message=message, action=REFUSED, status=status_in(answer), failed=True, bad_address=True,
        recorded_at=clock.now(),
    )  # fmt: skip
    _note(row, system_actor("sending"))


@service
def undelivered_settle(*, participant: Participant, how: str, actor: Actor) -> int:
    """Record what somebody did about a volunteer's mails that came back; return how many that settles."""
    require(actor, Cap.VOLUNTEER_ADD)
    participant = lock_participant(participant, actor)
    if actor.user_id is None:
        raise NotAllowed("A person looks after this, never the house by itself.")
    rows = list(open_of(participant))
    marked = bad_address(participant)
    if how == Settled.How.ADDRESS_RIGHT and marked is not None and marked not in rows:
        rows.append(marked)
    if not rows:
        raise Conflict("Somebody else has looked after this already.")
    now = clock.now()
    insert_many([Settled(undelivered=row, how=how, at=now, by_id=actor.user_id) for row in rows])
    audit(
        actor=actor, action=Action.MESSAGE_SETTLED, subject_type="participant",
        subject_code=participant.code, participant_code=participant.code, data={"how": how},
    )  # fmt: skip
    return len(rows)
