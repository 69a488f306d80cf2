"""The one-time key of a sent form: claimed before the view runs, settled with its answer.

Housekeeping of requests, not part of the study's record: rows carry no content and go after a week.
"""

from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from uuid import UUID

from django.db import IntegrityError, transaction

from studylab import clock
from studylab.audit.models import Submission
from studylab.audit.selectors import request_recorded

# A worker is stopped after 30 s; a form still unanswered after this was cut off.
CUT_OFF = timedelta(seconds=60)
KEPT_FOR = timedelta(days=7)
_LONGEST = 400


class Claim(Enum):
    """What became of a claim."""

    FIRST = "first"  # run the view
    ANSWERED = "answered"  # recorded already; `answer` says where it led
    RUNNING = "running"
    FOREIGN = "foreign"  # the key belongs to another person or another form


@dataclass(frozen=True, slots=True)
class Claimed:
    """A claim and, when answered before, where the first one was sent on to ("" when not known)."""

    claim: Claim
    answer: str = ""


def submission_claim(*, key: UUID, user_id: int, path: str, request_id: UUID) -> Claimed:
    """Claim `key` for this request, in a transaction of its own."""
    path = path[:_LONGEST]
    try:
        with transaction.atomic():
            Submission.objects.create(
                key=key, user_id=user_id, path=path, at=clock.now(), request_id=request_id
            )
    except IntegrityError:
        return _again(key=key, user_id=user_id, path=path, request_id=request_id)
    return Claimed(Claim.FIRST)


def _again(*, key: UUID, user_id: int, path: str, request_id: UUID) -> Claimed:
    row = Submission.objects.filter(key=key).first()
    if row is None:  # the first one was refused in this very moment
        return Claimed(Claim.RUNNING)
    if row.user_id != user_id or row.path != path:
        return Claimed(Claim.FOREIGN)
    if row.answer:
        return Claimed(Claim.ANSWERED, row.answer)
    if clock.now() - row.at < CUT_OFF:
        return Claimed(Claim.RUNNING)
    if row.request_id is not None and request_recorded(row.request_id):
        return Claimed(Claim.ANSWERED)  # written, but the answer got lost
    taken = Submission.objects.filter(key=key, request_id=row.request_id, answer="").update(
        request_id=request_id, at=clock.now()
    )
    return Claimed(Claim.FIRST if taken else Claim.RUNNING)


def submission_settle(*, key: UUID, request_id: UUID, answer: str) -> None:
    """Keep where the form was sent on to. Addresses too long to keep lead to the start page."""
    short = answer if len(answer) <= _LONGEST else "/"
    Submission.objects.filter(key=key, request_id=request_id).update(answer=short)


def submission_drop(*, key: UUID, request_id: UUID) -> None:
    """Give the key back: nothing was recorded, so the corrected form may be sent with it."""
    Submission.objects.filter(key=key, request_id=request_id).delete()


def submissions_purge() -> int:
    """Remove keys of last week; return how many."""
    return Submission.objects.filter(at__lt=clock.now() - KEPT_FOR).delete()[0]
