"""Mails that came back: those of a volunteer, those to look after, and addresses that cannot be written to."""

from collections.abc import Sequence

from django.db.models import F, Q, QuerySet

from studylab.outbox.models import Settled, Undelivered
from studylab.outbox.models.undelivered import REFUSED
from studylab.participants.models import Participant
from studylab.studies.models import Study


def undelivered_of(participant: Participant) -> QuerySet[Undelivered]:
    """Return everything that came back from a volunteer's messages, newest first."""
    rows = Undelivered.objects.filter(message__participant=participant)
    return (
        rows.select_related("message")
        .prefetch_related("settlings__by")
        .order_by("-recorded_at", "-id")
    )


def bad_address(participant: Participant) -> Undelivered | None:
    """Return why mails to a volunteer's address come back, if it is the address and nobody changed or settled it."""
    return (
        undelivered_of(participant)
        .filter(bad_address=True, recorded_at__gte=F("message__participant__person__contact__changed_at"))
        .exclude(settlings__how=Settled.How.ADDRESS_RIGHT)
        .first()
    )  # fmt: skip


def open_of(participant: Participant) -> QuerySet[Undelivered]:
    """Return what came back from a volunteer's messages and waits for somebody to look after it."""
    return undelivered_of(participant).filter(_open())


def to_look_after(study: Study) -> Sequence[Undelivered]:
    """Return failed mails that nobody looked after yet, one for each volunteer, the longest waiting first."""
    rows = (
        Undelivered.objects.filter(_open(), message__study=study)
        .exclude(message__participant=None)
        .exclude(action=REFUSED)  # the message itself waits for somebody
        .select_related("message__participant")
        .order_by("recorded_at", "id")
    )
    first: dict[int | None, Undelivered] = {}
    for row in rows:
        first.setdefault(row.message.participant_id, row)
    return list(first.values())


def _open() -> Q:
    """Failed and not looked after; a changed address settles what came back from the old one."""
    own = Q(recorded_at__gte=F("message__participant__person__contact__changed_at"))
    return Q(failed=True, settlings=None) & (Q(bad_address=False) | own)
