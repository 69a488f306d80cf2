"""What becomes of messages when the site was put back to an earlier moment: nothing is sent twice by itself."""

from datetime import datetime

from studylab.outbox.gaps import MAY_BE_OUT
from studylab.outbox.models import Message
from studylab.outbox.rules.states import OPEN, State
from studylab.studies.models import Study

TOLD_ANEW = "The site was restored from a backup; what still needs the addressee is told anew."


def settle_restored() -> None:
    """Right after a restoration: what staff were to hear is told anew, and no worker holds anything."""
    Message.objects.filter(participant=None, state__in=OPEN).update(
        state=State.DROPPED, note=TOLD_ANEW, claim=None, claimed_until=None
    )
    Message.objects.filter(state=State.CLAIMED).update(
        state=State.WAITING, claim=None, claimed_until=None
    )
    Message.objects.filter(state=State.SENDING).update(
        state=State.QUESTION, note=MAY_BE_OUT, claim=None, claimed_until=None
    )


def ask_about_gap(study: Study, until: datetime) -> int:
    """When all is entered again: ask a person about each message that was due by then; return how many."""
    due = Message.objects.filter(
        study=study, participant__isnull=False, state__in=OPEN, due_at__lte=until
    )
    return due.update(state=State.QUESTION, note=MAY_BE_OUT, claim=None, claimed_until=None)
