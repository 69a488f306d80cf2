"""What the page of a series says besides its visits: what no longer fits, what can be taken back."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.utils import formats
from django.utils.timezone import localtime

from scheduling.forms.absence import ReadBackForm
from scheduling.models import Series, SeriesChange, Visit
from scheduling.selectors.cards import SeriesShown
from scheduling.selectors.changes import UNDO_FOR, newest_change
from scheduling.selectors.misfits import misfits_of
from scheduling.selectors.talks import confirms_of, to_read_back
from studylab.access import Actor, Cap


def series_notes(shown: Sequence[SeriesShown], actor: Actor, now: datetime) -> dict[str, Any]:
    """Return the context of the notes for the newest series; empty when there is none."""
    if not shown:
        return {}
    newest = shown[0].series
    change = newest_change(newest, now)
    is_open = newest.state == Series.State.OPEN
    unread = to_read_back(newest, now) if is_open and actor.may(Cap.SERIES_BOOK) else []
    return {
        "read_back": read_back_form(unread) if unread else None,
        "confirms": confirms_of(newest, newest.participant.study.timezone, now) if is_open else [],
        "undo": change if change is not None and _may_undo(change, actor) else None,
        "undo_until": change.at + UNDO_FOR if change is not None else None,
        "misfits": misfits_of(newest) if is_open else [],
    }


def read_back_form(visits: Sequence[Visit], data: Any = None) -> ReadBackForm:
    """Return the list of times to be repeated by the volunteer, none of them ticked."""
    said = [
        (
            row.number,
            f"Visit {row.number}: {formats.date_format(localtime(row.planned.lower), 'l j F Y, H:i')}",
        )
        for row in visits
    ]
    return ReadBackForm(data, visits=said)


def _may_undo(change: SeriesChange, actor: Actor) -> bool:
    own = change.by_id == actor.user_id
    return actor.may(Cap.ABSENCE_RECORD) and (own or actor.may(Cap.SERIES_BOOK))
