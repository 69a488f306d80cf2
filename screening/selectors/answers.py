"""Reading answer sets."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404

from screening.models import AnswerSet
from screening.rules.inputs import Answer, Medicine
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.prepared import Prepared


def answer_sets(
    participant: Participant, when: str, visit_uid: UUID | None = None
) -> QuerySet[AnswerSet]:
    """Return every set of that `when`, oldest first, superseded ones included."""
    sets = AnswerSet.objects.filter(participant=participant, when=when)
    if visit_uid is not None:
        sets = sets.filter(visit_uid=visit_uid)
    return sets.order_by("id")


ANSWERS_AT_SCREENING = Prepared(
    lambda person: AnswerSet.objects.filter(
        participant=person, when=AnswerSet.When.SCREENING
    ).order_by("id")
)


def answers_at_screening(participant: Participant) -> list[AnswerSet]:
    """Return every set of screening, oldest first, superseded ones included."""
    return ANSWERS_AT_SCREENING(participant.pk)


def newest_answers(
    participant: Participant, when: str, visit_uid: UUID | None = None
) -> AnswerSet | None:
    """Return the set that stands: the newest one that no other supersedes."""
    return answer_sets(participant, when, visit_uid).filter(STANDS).last()


def access_answers(participant: Participant, uid: UUID) -> AnswerSet:
    """Return one of the person's sets, or answer "not found"."""
    found = AnswerSet.objects.filter(participant=participant, uid=uid).first()
    if found is None:
        raise Http404("There are no such answers.")
    return found


def as_answers(stored: Mapping[str, Any]) -> dict[str, Answer]:
    """Return stored answers as the rules read them."""
    return {key: Answer(item.get("value"), item.get("detail", "")) for key, item in stored.items()}


def as_medicines(stored: Sequence[Mapping[str, Any]]) -> tuple[Medicine, ...]:
    """Return stored medicines as the rules read them."""
    return tuple(
        Medicine(
            name=item["name"],
            atc=item.get("atc") or None,
            route=item.get("route", ""),
            last_taken=datetime.fromisoformat(taken) if (taken := item.get("last_taken")) else None,
            prescribed=bool(item.get("prescribed", False)),
            dose=item.get("dose", ""),
            prescriber=item.get("prescriber", ""),
        )
        for item in stored
    )
