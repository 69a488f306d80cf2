"""The Safety page: what is open first, then what is on record."""

from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count

from scheduling.models import AfterContact
from scheduling.selectors.today import contacts_due
from screening.selectors.lapsing import lapsing
from studylab.access import Actor, Cap
from studylab.allocation.selectors import reveals_of
from studylab.audit.selectors import check_is_due, last_check, unsealed_events
from studylab.participants.doses import doses_of
from studylab.participants.models import Deviation
from studylab.participants.selectors import deviations_of, open_holds
from studylab.participants.selectors.events import newest_entries, symptoms_to_write_down
from studylab.participants.selectors.owed import owed_reports
from studylab.participants.selectors.safety import (
    new_information,
    open_pauses,
    people_in_care,
    tally,
    unread,
)
from studylab.participants.selectors.told import people_not_told
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

SEALED_WITHIN = timedelta(minutes=10)  # a worker seals once a minute


def safety_page(study: Study, actor: Actor, at: datetime) -> dict[str, Any]:
    """Return the context of the Safety page: never a measured value, never an arm, in a fixed number of queries."""
    plan = current_protocol(study).plan.safety
    dosed = doses_of(study)
    pauses = list(open_pauses(study))
    contacts = AfterContact.objects.filter(participant__study=study, reached=True)
    return {
        "pauses": pauses,
        "care": {one.pause.pk: one.newest for one in people_in_care(study, pauses)},
        "holds": open_holds(study),
        "owed": owed_reports(study, at),
        "serious": list(newest_entries(study).filter(criteria__len__gt=0, in_error=False, event__state="open")),
        "open_events": newest_entries(study).filter(event__state="open").count(),
        "unread": unread(study, plan, at),
        "to_write": symptoms_to_write_down(study, dosed),
        "news": [row for row in new_information(study) if row.text is None],
        "not_told": people_not_told(study),
        "tally": tally(study, len(dosed)),
        "dosed": len(dosed),
        "due": sorted(contacts_due(study, at), key=lambda row: (not row.overdue, row.due_until)),
        "lapsing": lapsing(study, at),
        "unsealed": unsealed_for_long(at),
        "checked": last_check(),
        "check_due": check_is_due(at),
        "kinds": deviations_by_kind(study),
        "reveals": len(reveals_of(study)) if actor.may(Cap.REVEALS_VIEW) else 0,
        "reached": contacts.count(),
        "with_symptoms": contacts.filter(symptoms=True).count(),
    }  # fmt: skip


def unsealed_for_long(at: datetime) -> int:
    """Return how many events of the record wait for their seal longer than they should."""
    return unsealed_events().filter(at__lt=at - SEALED_WITHIN).count()


def deviations_by_kind(study: Study) -> list[tuple[str, str, int, int, int]]:
    """Return (kind, in words, to explain, to close, closed) for every kind that occurred."""
    found = deviations_of(study).order_by().values_list("kind", "state").annotate(n=Count("id"))
    numbers = {(kind, state): n for kind, state, n in found}
    states = Deviation.State
    return [
        (kind, label, *(numbers.get((kind, state), 0) for state in (states.OPEN, states.EXPLAINED, states.CLOSED)))
        for kind, label in Deviation.Kind.choices
        if any(seen == kind for seen, _state in numbers)
    ]  # fmt: skip
