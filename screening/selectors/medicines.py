"""Until when the medicines that somebody listed keep the dose waiting."""

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from screening.models import AnswerSet
from screening.rules.catalogue import load_catalogue
from screening.rules.medicines import Washout, washouts
from screening.selectors.answers import as_medicines
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.prepared import Prepared


def _lists(sets: QuerySet[AnswerSet]) -> QuerySet[AnswerSet]:
    """Of these sets those that stand and say something of medicines, oldest first."""
    told = sets.filter(STANDS).exclude(medicines=[], no_medicines=False)
    return told.order_by("given_at", "id")


_LISTS = Prepared(lambda person: _lists(AnswerSet.objects.filter(participant=person)))


def washouts_of(participant: Participant, at: datetime) -> tuple[Washout, ...] | None:
    """Return every medicine that the dose has to wait for, the longest first; None when nobody was asked.

    Lists of screening and of dosing days all count. A last dose that nobody knows counts as `at` in the newest
    list; in an earlier one as taken when that list was given, since it is left out or dated later on.
    """
    return _washouts(_LISTS(participant.pk), participant.study.timezone, at)


def washouts_of_all(
    people: Sequence[Participant], at: datetime
) -> dict[int, tuple[Washout, ...] | None]:
    """Return what `washouts_of` says of each of several people, in one query."""
    standing: dict[int, list[AnswerSet]] = {person.pk: [] for person in people}
    for row in _lists(AnswerSet.objects.filter(participant__in=standing)):
        standing[row.participant_id].append(row)
    return {
        person.pk: _washouts(standing[person.pk], person.study.timezone, at) for person in people
    }


def _washouts(standing: Sequence[AnswerSet], zone: str, at: datetime) -> tuple[Washout, ...] | None:
    if not standing:
        return None
    lists = [(as_medicines(row.medicines), row.given_at) for row in standing[:-1]]
    lists.append((as_medicines(standing[-1].medicines), at))
    return washouts(load_catalogue(), lists, at.astimezone(ZoneInfo(zone)))
