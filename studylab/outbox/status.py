"""The line about mail in the site's status.

It counts messages to volunteers only: those to a pharmacist would tell blinded readers when stock runs low.
"""

from datetime import datetime

from django.db.models import Count, Max, Min, Q

from studylab.operation.rules.status import WAITS_WRONG, Line, State
from studylab.outbox.models import AttemptEnd, Message
from studylab.outbox.rules.states import Outcome
from studylab.outbox.rules.states import State as Stands
from studylab.outbox.selectors.messages import unsettled
from studylab.outbox.texting import gateway, mail_is_on


def mail_line(at: datetime) -> Line:
    """Judge mail: whether it is set up, whether due messages leave, whether some need a person, how the last try ended."""
    # Claimed ones too: their knocks lie there when no worker hears the queue of what is sent.
    due = Q(state__in=[Stands.WAITING, Stands.CLAIMED], due_at__lte=at)
    seen = Message.objects.filter(participant__isnull=False).aggregate(
        sent=Max("sent_at"), waits=Count("pk", filter=due), oldest=Min("next_at", filter=due),
        person=Count("pk", filter=unsettled(at)),
    )  # fmt: skip
    said = (
        f"{_when('Last sent', seen['sent'])}; due and waiting: {seen['waits']}; for a person to decide: {seen['person']}."
        " Messages to staff are not counted."
    )
    if not mail_is_on():
        todo = "Set STUDYLAB_SMTP_HOST (see README), or call people."
        off = "no mails go out, short messages do" if gateway() else "no messages are sent"
        return Line("mail", "Mail", State.LOOK, f"Off: {off}. {said}", todo)
    failed = _last_failure()
    said = f"{said} {'No try has failed.' if failed is None else _when('Last failure', failed.ended_at)}"
    if failed is not None:
        said = f"{said}: {failed.answer}"
    if seen["oldest"] is not None and at - seen["oldest"] > WAITS_WRONG:
        todo = "Look at workers (one must hear the queue “sends”) and scheduler above, and call who must hear something today."
        return Line("mail", "Mail", State.WRONG, said, todo, seen["oldest"])
    if failed is not None and (seen["sent"] is None or failed.ended_at > seen["sent"]):
        todo = "Look at the mail server and its settings: nothing has been sent since."
        return Line("mail", "Mail", State.LOOK, said, todo, failed.ended_at)
    if seen["person"]:
        todo = "Coordinator or lead decide about them under Messages of their study."
        return Line("mail", "Mail", State.LOOK, said, todo)
    return Line("mail", "Mail", State.OK, said)


def _last_failure() -> AttemptEnd | None:
    """Return the last try with a volunteer's message that is not known to have been taken."""
    rows = AttemptEnd.objects.filter(attempt__message__participant__isnull=False)
    return rows.exclude(outcome__in=[Outcome.SENT, Outcome.DROPPED]).order_by("-ended_at").first()


def _when(what: str, at: datetime | None) -> str:
    return f"{what} never" if at is None else f"{what} {at:%a %d %b, %H:%M} UTC"
