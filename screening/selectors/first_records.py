"""Since when something of screening is on record about a person, for holding a corrected consent against it."""

from datetime import datetime

from screening.models import AnswerSet, Check, ContactNote, Timing, VitalSet
from studylab.participants.models import Participant


def first_answers(participant: Participant) -> datetime | None:
    """Return when the earliest answers were given."""
    return AnswerSet.objects.filter(participant=participant).order_by("given_at").values_list(
        "given_at", flat=True
    ).first()  # fmt: skip


def first_vitals(participant: Participant) -> datetime | None:
    """Return when the earliest vital set was taken."""
    return VitalSet.objects.filter(participant=participant).order_by("taken_at").values_list(
        "taken_at", flat=True
    ).first()  # fmt: skip


def first_check(participant: Participant) -> datetime | None:
    """Return when the earliest check was taken or timed."""
    taken = Check.objects.filter(participant=participant).order_by("taken_at").values_list(
        "taken_at", flat=True
    )  # fmt: skip
    timed = (
        Timing.objects.filter(participant=participant).order_by("at").values_list("at", flat=True)
    )
    return min((*taken[:1], *timed[:1]), default=None)


def first_note(participant: Participant) -> datetime | None:
    """Return when the earliest contact was that somebody noted."""
    return ContactNote.objects.filter(participant=participant).order_by("at").values_list(
        "at", flat=True
    ).first()  # fmt: skip
