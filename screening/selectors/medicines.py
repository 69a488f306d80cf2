"""Until when the medicines that somebody listed keep the dose waiting."""

from datetime import datetime
from zoneinfo import ZoneInfo

from screening.models import AnswerSet
from screening.rules.catalogue import load_catalogue
from screening.rules.medicines import Washout, washouts
from screening.selectors.answers import as_medicines
from studylab.participants.models import Participant


def washouts_of(participant: Participant, at: datetime) -> tuple[Washout, ...] | None:
    """Return every medicine that the dose has to wait for, the longest first; None when nobody was asked.

    Lists of screening and of dosing days all count. A last dose that nobody knows counts as `at` in the newest
    list; in an earlier one as taken when that list was given, since it is left out or dated later on.
    """
    standing = list(
        AnswerSet.objects.filter(participant=participant, superseded_by=None)
        .exclude(medicines=[], no_medicines=False)
        .order_by("given_at", "id")
    )
    if not standing:
        return None
    local = at.astimezone(ZoneInfo(participant.study.timezone))
    lists = [(as_medicines(row.medicines), row.given_at) for row in standing[:-1]]
    lists.append((as_medicines(standing[-1].medicines), at))
    return washouts(load_catalogue(), lists, local)
